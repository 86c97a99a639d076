package door

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const password = "a reed by the water"

func options(listen string, b *Book) Options {
	return Options{
		Listen: listen, Book: b,
		Deny: func(w http.ResponseWriter, _ *http.Request, status int, text string) { http.Error(w, text, status) },
		Ask:  func(w http.ResponseWriter, _ *http.Request, wrong string) { _, _ = w.Write([]byte("who? " + wrong)) },
		Open: func(path string) bool { return path == "/healthz" },
	}
}

func emptyBook(t testing.TB) *Book {
	t.Helper()
	b, err := OpenBook(filepath.Join(t.TempDir(), "people.json"), nil)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// people is a book in which Wim may operate and Noor may watch.
func people(t testing.TB) *Book {
	t.Helper()
	b := emptyBook(t)
	for _, p := range []struct {
		name string
		role Role
	}{{"Wim", Operate}, {"Noor", Watch}} {
		if err := b.AddPerson(p.name, p.role, password); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func open(t testing.TB, o Options) *Door {
	t.Helper()
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestNew holds which addresses are taken: nothing that others can reach while
// nobody is written down.
func TestNew(t *testing.T) {
	full := people(t)
	for _, c := range []struct {
		listen string
		book   *Book
		ok     bool
	}{
		{"127.0.0.1:8017", nil, true},
		{"127.8.8.8:8017", nil, true},
		{"[::1]:8017", nil, true},
		{"localhost:8017", nil, true},
		{"[::ffff:127.0.0.1]:8017", nil, true},
		{"0.0.0.0:8017", nil, false},
		{":8017", nil, false},
		{"[::]:8017", nil, false},
		{"192.0.2.7:8017", nil, false},
		{"cellar.home.arpa:8017", nil, false},
		{"0.0.0.0:8017", full, true},
		{"127.0.0.1:8017", full, true},
		{"8017", full, false},
	} {
		if _, err := New(options(c.listen, c.book)); (err == nil) != c.ok {
			t.Errorf("listen %s, people %t: %v, want ok %t", c.listen, c.book != nil, err, c.ok)
		}
	}
}

func pass(d *Door, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	d.Wrap(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := From(r.Context())
		w.Header().Set("Caller", c.Name+" "+string(c.Role)+" "+c.How)
		w.WriteHeader(http.StatusNoContent)
	})).ServeHTTP(w, r)
	return w
}

func TestHosts(t *testing.T) {
	full := people(t)
	for _, c := range []struct {
		book *Book
		host string
		in   bool
	}{
		{nil, "127.0.0.1:8017", true},
		{nil, "localhost:8017", true},
		{nil, "LOCALHOST", true},
		{nil, "[::1]:8017", true},
		{nil, "cellar.home.arpa:8017", true},
		{nil, "cellar.home.arpa.", true},
		{nil, "evil.example", false},
		{nil, "127.0.0.1.evil.example", false},
		{nil, "localhost.evil.example", false},
		{nil, "192.0.2.7:8017", false},
		{nil, "", false},
		{full, "192.0.2.7:8017", true},
		{full, "[2001:db8::7]:8017", true},
		{full, "evil.example", false},
	} {
		o := options("127.0.0.1:8017", c.book)
		o.Hosts = []string{"Cellar.home.arpa"}
		r := httptest.NewRequest("GET", "/healthz", nil)
		r.Host = c.host
		if w := pass(open(t, o), r); (w.Code == http.StatusNoContent) != c.in || !c.in && w.Code != http.StatusMisdirectedRequest {
			t.Errorf("people %t, host %q: status %d, want in %t", c.book != nil, c.host, w.Code, c.in)
		}
	}
}

// Who may do what: nobody without a credential, watchers nothing that changes.
func TestCredential(t *testing.T) {
	b := people(t)
	operate, err := b.AddKey("cellar script", Operate)
	if err != nil {
		t.Fatal(err)
	}
	watch, err := b.AddKey("gauges", Watch)
	if err != nil {
		t.Fatal(err)
	}
	at := filepath.Join(t.TempDir(), "house.key")
	o := options("0.0.0.0:8017", b)
	if o.HouseKey, err = OpenHouseKey(at); err != nil {
		t.Fatal(err)
	}
	own, err := ReadHouseKey(at)
	if err != nil {
		t.Fatal(err)
	}
	d := open(t, o)
	for _, c := range []struct {
		name, method, path, auth, accept string
		status                           int
		caller                           string
	}{
		{"none", "GET", "/api/view", "", "", 401, ""},
		{"none, a change", "POST", "/api/cool", "", "", 401, ""},
		{"an operating key", "POST", "/api/cool", "Bearer " + operate, "", 204, "cellar script operate key"},
		{"other case of the scheme", "GET", "/api/view", "bearer " + operate, "", 204, "cellar script operate key"},
		{"a watching key", "GET", "/api/view", "Bearer " + watch, "", 204, "gauges watch key"},
		{"a watching key, a change", "POST", "/api/cool", "Bearer " + watch, "", 403, ""},
		{"a watching key, another verb", "DELETE", "/api/view", "Bearer " + watch, "", 403, ""},
		{"the house's own key", "POST", "/api/cool", "Bearer " + own, "", 204, "this computer operate key"},
		{"wrong", "GET", "/api/view", "Bearer " + operate + "x", "", 401, ""},
		{"a piece", "GET", "/api/view", "Bearer " + operate[:10], "", 401, ""},
		{"empty", "GET", "/api/view", "Bearer ", "", 401, ""},
		{"another scheme", "GET", "/api/view", "Basic " + operate, "", 401, ""},
		{"a password is no key", "GET", "/api/view", "Bearer " + password, "", 401, ""},
		{"a person", "GET", "/", "", "text/html,*/*", 303, ""},
		{"what is open", "GET", "/healthz", "", "", 204, "  "},
	} {
		r := httptest.NewRequest(c.method, c.path, nil)
		r.Host, r.RemoteAddr = "127.0.0.1:8017", "127.0.0.1:5555"
		if c.auth != "" {
			r.Header.Set("Authorization", c.auth)
		}
		r.Header.Set("Accept", c.accept)
		if w := pass(d, r); w.Code != c.status || w.Header().Get("Caller") != c.caller {
			t.Errorf("%s: status %d as %q, want %d as %q", c.name, w.Code, w.Header().Get("Caller"), c.status, c.caller)
		}
	}
	if err := b.Remove("gauges"); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("GET", "/api/view", nil)
	r.Host = "192.0.2.7"
	r.Header.Set("Authorization", "Bearer "+watch)
	if w := pass(d, r); w.Code != 401 {
		t.Errorf("a key that was removed: status %d", w.Code)
	}
}

func logIn(d *Door, name, password, from string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", InPath, strings.NewReader(url.Values{"name": {name}, "password": {password}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Host, r.RemoteAddr = "192.0.2.7", from
	return pass(d, r)
}

// TestSession follows a person through the form: in, about, out, too late.
func TestSession(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	b := people(t)
	b.now = clock
	o := options("0.0.0.0:8017", b)
	o.Now = clock
	d := open(t, o)
	for _, wrong := range [][2]string{{"Wim", "a wrong password"}, {"Nobody", password}, {"", ""}, {"Wim", strings.Repeat("x", 3000)}} {
		if w := logIn(d, wrong[0], wrong[1], "192.0.2.9:1"); len(w.Result().Cookies()) > 0 || !strings.Contains(w.Body.String(), "do not belong together") {
			t.Errorf("%q: %d %s", wrong, w.Code, w.Body)
		}
	}
	now = now.Add(time.Minute)
	w := logIn(d, "wim", password, "192.0.2.9:1")
	if w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Fatalf("the right password: %d %s", w.Code, w.Body)
	}
	c := w.Result().Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || strings.Contains(c.Value, password) {
		t.Errorf("the cookie is not as it should be: %+v", c)
	}
	try := func(d *Door, value string) int {
		r := httptest.NewRequest("POST", "/api/cool", nil)
		r.Host = "192.0.2.7"
		r.AddCookie(&http.Cookie{Name: c.Name, Value: value})
		return pass(d, r).Code
	}
	body, sig, _ := strings.Cut(c.Value, ".")
	afresh, err := OpenBook(b.path, clock)
	if err != nil {
		t.Fatal(err)
	}
	o2 := o
	o2.Book = afresh
	for _, s := range []struct {
		name   string
		d      *Door
		value  string
		status int
	}{
		{"as given", d, c.Value, 204},
		{"after a restart", open(t, o2), c.Value, 204},
		{"in another house", open(t, options("0.0.0.0:8017", people(t))), c.Value, 401},
		{"changed", d, "A" + body + "." + sig, 401},
		{"without a signature", d, body + ".", 401},
		{"with another signature", d, body + "." + strings.Repeat("A", len(sig)), 401},
		{"empty", d, "", 401},
	} {
		if got := try(s.d, s.value); got != s.status {
			t.Errorf("a session %s: status %d, want %d", s.name, got, s.status)
		}
	}
	watching := logIn(d, "Noor", password, "192.0.2.9:1").Result().Cookies()[0].Value
	if got := try(d, watching); got != 403 {
		t.Errorf("a watcher's change: status %d", got)
	}

	// Out: this session ends, the other on another machine goes on.
	other := logIn(d, "Wim", password, "192.0.2.10:1").Result().Cookies()[0].Value
	r := httptest.NewRequest("POST", OutPath, nil)
	r.Host = "192.0.2.7"
	r.AddCookie(&http.Cookie{Name: c.Name, Value: c.Value})
	if w := pass(d, r); w.Code != http.StatusSeeOther || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("log out: %d %v", w.Code, w.Result().Cookies())
	}
	if a, b := try(d, c.Value), try(d, other); a != 401 || b != 204 {
		t.Errorf("after logging out: status %d; on the other machine %d", a, b)
	}
	if err := b.SetPassword("Wim", "another reed, another water"); err != nil {
		t.Fatal(err)
	}
	if got := try(d, other); got != 401 {
		t.Errorf("after a new password: status %d", got)
	}
	last := logIn(d, "Wim", "another reed, another water", "192.0.2.10:1").Result().Cookies()[0].Value
	now = now.Add(sessionTime - time.Second)
	if got := try(d, last); got != 204 {
		t.Errorf("a session in its last second: status %d", got)
	}
	now = now.Add(time.Second)
	if got := try(d, last); got != 401 {
		t.Errorf("a session that has ended: status %d", got)
	}
}

// What stays open learns that its caller may no longer watch.
func TestStill(t *testing.T) {
	b := people(t)
	d := open(t, options("0.0.0.0:8017", b))
	cookie := logIn(d, "Noor", password, "192.0.2.9:1").Result().Cookies()[0]
	var still func() bool
	r := httptest.NewRequest("GET", "/api/live", nil)
	r.Host = "192.0.2.7"
	r.AddCookie(cookie)
	d.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		still = func() bool { return Still(r.Context()) }
	})).ServeHTTP(httptest.NewRecorder(), r)
	if still == nil || !still() {
		t.Fatal("a watcher is not let in, or not for long")
	}
	if err := b.Remove("noor"); err != nil {
		t.Fatal(err)
	}
	if still() {
		t.Error("somebody who was removed may still watch")
	}
}

// As soon as somebody is written down, this computer needs a credential too.
func TestTheFirstPerson(t *testing.T) {
	b := emptyBook(t)
	d := open(t, options("127.0.0.1:8017", b))
	try := func() int {
		r := httptest.NewRequest("POST", "/api/cool", nil)
		r.Host, r.RemoteAddr = "127.0.0.1:8017", "127.0.0.1:5555"
		return pass(d, r).Code
	}
	if got := try(); got != 204 {
		t.Errorf("with an empty book: status %d", got)
	}
	// Another process writes, as the command line does.
	again, err := OpenBook(b.path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.AddPerson("Wim", Operate, password); err != nil {
		t.Fatal(err)
	}
	if got := try(); got != 401 {
		t.Errorf("with somebody in it: status %d", got)
	}
	if err := os.WriteFile(b.path, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := try(); got != 503 {
		t.Errorf("with a damaged book: status %d", got)
	}
}

// A proxy on this computer would let the network in by the back door.
func TestThroughAProxy(t *testing.T) {
	d := open(t, options("127.0.0.1:8017", nil))
	for _, header := range []string{"Forwarded", "X-Forwarded-For"} {
		r := httptest.NewRequest("GET", "/api/view", nil)
		r.Host = "127.0.0.1:8017"
		r.Header.Set(header, "for=203.0.113.9")
		if w := pass(d, r); w.Code != 403 {
			t.Errorf("with %s: status %d", header, w.Code)
		}
	}
}

// Guessing is slow, for each address and each name apart, and bounded in memory.
func TestGuessing(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	o := options("0.0.0.0:8017", people(t))
	o.Now = func() time.Time { return now }
	d := open(t, o)
	for i := range triesAMinute {
		logIn(d, "somebody "+string(rune('a'+i)), "guess", "192.0.2.9:1")
	}
	if w := logIn(d, "Wim", password, "192.0.2.9:2"); w.Code != http.StatusTooManyRequests {
		t.Errorf("after %d guesses from one address: status %d", triesAMinute, w.Code)
	}
	if w := logIn(d, "Wim", password, "192.0.2.10:1"); w.Code != http.StatusSeeOther {
		t.Errorf("from elsewhere: status %d", w.Code)
	}
	for i := range triesAMinute {
		logIn(d, "Noor", "guess", "198.51.100."+string(rune('1'+i))+":1")
	}
	if w := logIn(d, "noor", password, "192.0.2.11:1"); w.Code != http.StatusTooManyRequests {
		t.Errorf("after %d guesses at one person: status %d", triesAMinute, w.Code)
	}
	now = now.Add(time.Minute)
	if w := logIn(d, "Noor", password, "192.0.2.9:3"); w.Code != http.StatusSeeOther {
		t.Errorf("a minute later: status %d", w.Code)
	}
	for i := range 2 * addressesAMinute {
		d.attempts.allow(time.Duration(i).String())
	}
	if n := len(d.attempts.tries); n > addressesAMinute {
		t.Errorf("%d addresses are remembered", n)
	}
}
