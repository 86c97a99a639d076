package door

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"
)

const token = "a reed by the water"

func options(listen, token string) Options {
	return Options{
		Listen: listen, Token: token,
		Deny: func(w http.ResponseWriter, _ *http.Request, status int, text string) { http.Error(w, text, status) },
		Ask:  func(w http.ResponseWriter, _ *http.Request, wrong string) { _, _ = w.Write([]byte("who? " + wrong)) },
		Open: func(path string) bool { return path == "/healthz" },
	}
}

// TestNew holds which addresses are taken: nothing that others can reach
// without a token.
func TestNew(t *testing.T) {
	for _, c := range []struct {
		listen, token string
		ok            bool
	}{
		{"127.0.0.1:8017", "", true},
		{"127.8.8.8:8017", "", true},
		{"[::1]:8017", "", true},
		{"localhost:8017", "", true},
		{"0.0.0.0:8017", "", false},
		{":8017", "", false},
		{"[::]:8017", "", false},
		{"192.0.2.7:8017", "", false},
		{"cellar.home.arpa:8017", "", false},
		{"[::ffff:127.0.0.1]:8017", "", true},
		{"0.0.0.0:8017", "short", false},
		{"127.0.0.1:8017", "short", false},
		{"0.0.0.0:8017", token, true},
		{"8017", token, false},
	} {
		_, err := New(options(c.listen, c.token))
		if (err == nil) != c.ok {
			t.Errorf("listen %s with token %q: %v, want ok %t", c.listen, c.token, err, c.ok)
		}
		if err != nil && c.token != "" && strings.Contains(err.Error(), c.token) {
			t.Errorf("the error tells the token: %v", err)
		}
	}
}

func pass(d *Door, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	d.Wrap(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) })).ServeHTTP(w, r)
	return w
}

func TestHosts(t *testing.T) {
	for _, c := range []struct {
		token, host string
		in          bool
	}{
		{"", "127.0.0.1:8017", true},
		{"", "localhost:8017", true},
		{"", "LOCALHOST", true},
		{"", "[::1]:8017", true},
		{"", "cellar.home.arpa:8017", true},
		{"", "cellar.home.arpa.", true},
		{"", "evil.example", false},
		{"", "127.0.0.1.evil.example", false},
		{"", "localhost.evil.example", false},
		{"", "192.0.2.7:8017", false},
		{"", "", false},
		{token, "192.0.2.7:8017", true},
		{token, "[2001:db8::7]:8017", true},
		{token, "evil.example", false},
	} {
		o := options("127.0.0.1:8017", c.token)
		o.Hosts = []string{"Cellar.home.arpa"}
		d, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		r := httptest.NewRequest("GET", "/healthz", nil)
		r.Host = c.host
		if w := pass(d, r); (w.Code == http.StatusNoContent) != c.in || !c.in && w.Code != http.StatusMisdirectedRequest {
			t.Errorf("token %q, host %q: status %d, want in %t", c.token, c.host, w.Code, c.in)
		}
	}
}

func TestCredential(t *testing.T) {
	d, err := New(options("0.0.0.0:8017", token))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, path, auth, accept string
		status                   int
	}{
		{"none", "/api/view", "", "", 401},
		{"none, from this computer too", "/api/cool", "", "", 401},
		{"right", "/api/view", "Bearer " + token, "", 204},
		{"right, other case", "/api/view", "bearer " + token, "", 204},
		{"wrong", "/api/view", "Bearer " + token + "x", "", 401},
		{"a piece", "/api/view", "Bearer " + token[:10], "", 401},
		{"empty", "/api/view", "Bearer ", "", 401},
		{"another scheme", "/api/view", "Basic " + token, "", 401},
		{"a person", "/", "", "text/html,*/*", 303},
		{"what is open", "/healthz", "", "", 204},
	} {
		r := httptest.NewRequest("GET", c.path, nil)
		r.Host, r.RemoteAddr = "127.0.0.1:8017", "127.0.0.1:5555"
		if c.auth != "" {
			r.Header.Set("Authorization", c.auth)
		}
		r.Header.Set("Accept", c.accept)
		if w := pass(d, r); w.Code != c.status {
			t.Errorf("%s: status %d, want %d", c.name, w.Code, c.status)
		}
	}
}

func logIn(d *Door, token, from string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", InPath, strings.NewReader(url.Values{"token": {token}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Host, r.RemoteAddr = "192.0.2.7", from
	return pass(d, r)
}

// TestSession follows a person through the form: in, about, out, too late.
func TestSession(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	o := options("0.0.0.0:8017", token)
	o.Now = func() time.Time { return now }
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if w := logIn(d, "a wrong token, long", "192.0.2.9:1"); len(w.Result().Cookies()) > 0 || !strings.Contains(w.Body.String(), "does not fit") {
		t.Errorf("a wrong token: %d %s", w.Code, w.Body)
	}
	w := logIn(d, token, "192.0.2.9:1")
	if w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Fatalf("the right token: %d %s", w.Code, w.Body)
	}
	c := w.Result().Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || strings.Contains(c.Value, token) {
		t.Errorf("the cookie is not as it should be: %+v", c)
	}
	try := func(d *Door, value string) int {
		r := httptest.NewRequest("POST", "/api/cool", nil)
		r.Host = "192.0.2.7"
		r.AddCookie(&http.Cookie{Name: c.Name, Value: value})
		return pass(d, r).Code
	}
	end, sig, _ := strings.Cut(c.Value, ".")
	other := options("0.0.0.0:8017", token+" changed")
	other.Now = o.Now
	changed, err := New(other)
	if err != nil {
		t.Fatal(err)
	}
	again, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []struct {
		name   string
		d      *Door
		value  string
		status int
	}{
		{"as given", d, c.Value, 204},
		{"after a restart", again, c.Value, 204},
		{"after the token was changed", changed, c.Value, 401},
		{"with a later end", d, "9" + end + "." + sig, 401},
		{"without a signature", d, end + ".", 401},
		{"with another signature", d, end + "." + strings.Repeat("A", len(sig)), 401},
		{"empty", d, "", 401},
	} {
		if got := try(s.d, s.value); got != s.status {
			t.Errorf("a session %s: status %d, want %d", s.name, got, s.status)
		}
	}
	now = now.Add(sessionTime + time.Second)
	if got := try(d, c.Value); got != 401 {
		t.Errorf("a session that has ended: status %d", got)
	}
	r := httptest.NewRequest("POST", OutPath, nil)
	r.Host = "192.0.2.7"
	if w := pass(d, r); w.Code != http.StatusSeeOther || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("log out: %d %v", w.Code, w.Result().Cookies())
	}
}

// Guessing is slow, for each address apart, and bounded in memory.
func TestGuessing(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	o := options("0.0.0.0:8017", token)
	o.Now = func() time.Time { return now }
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for range triesAMinute {
		logIn(d, "guess", "192.0.2.9:1")
	}
	if w := logIn(d, token, "192.0.2.9:2"); w.Code != http.StatusTooManyRequests {
		t.Errorf("after %d guesses: status %d", triesAMinute, w.Code)
	}
	if w := logIn(d, token, "192.0.2.10:1"); w.Code != http.StatusSeeOther {
		t.Errorf("somebody else: status %d", w.Code)
	}
	now = now.Add(time.Minute)
	if w := logIn(d, token, "192.0.2.9:3"); w.Code != http.StatusSeeOther {
		t.Errorf("a minute later: status %d", w.Code)
	}
	for i := range 2 * addressesAMinute {
		d.attempts.allow(time.Duration(i).String())
	}
	if n := len(d.attempts.tries); n > addressesAMinute {
		t.Errorf("%d addresses are remembered", n)
	}
}
