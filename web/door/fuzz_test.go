package door

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
)

// FuzzHost: while nobody is written down, a name that is neither ours nor of this computer is
// never taken for one.
func FuzzHost(f *testing.F) {
	for _, s := range []string{"localhost", "127.0.0.1:8017", "[::1]:80", "localhost.", "localhost.evil.example", "[localhost]", "127.1", "0x7f000001", "::ffff:127.0.0.1", "[::1%25lo]:1", "a:b:c", ":"} {
		f.Add(s)
	}
	d, err := New(options("127.0.0.1:8017", nil))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, host string) {
		if !d.knowsHost(host, false) {
			return
		}
		name := strings.ToLower(host)
		if i := strings.LastIndex(name, ":"); i >= 0 {
			if _, err := netip.ParseAddr(strings.Trim(name, "[]")); err != nil {
				name = name[:i]
			}
		}
		name = strings.TrimSuffix(strings.Trim(name, "[]"), ".")
		if a, err := netip.ParseAddr(name); name != "localhost" && (err != nil || !a.Unmap().IsLoopback()) {
			t.Errorf("%q was taken for this computer", host)
		}
	})
}

// FuzzSession: no cookie opens the door but one that was given out.
func FuzzSession(f *testing.F) {
	d := open(f, options("0.0.0.0:8017", people(f)))
	given := logIn(d, "Wim", password, "192.0.2.9:1").Result().Cookies()[0].Value
	end, sig, _ := strings.Cut(given, ".")
	for _, s := range []string{given, "", ".", end, "." + sig, end + "0." + sig, given + "A"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, value string) {
		r := httptest.NewRequest("GET", "/", nil)
		r.AddCookie(&http.Cookie{Name: cookieName, Value: value})
		_, ok, err := d.sessionOf(r)
		if err != nil {
			t.Fatal(err)
		}
		if c, err := r.Cookie(cookieName); err == nil && ok && c.Value != given {
			t.Errorf("%q opens the door", value)
		}
	})
}
