package door

import (
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"
)

// Where a person logs in and out with a browser.
const (
	InPath  = "/door/in"
	OutPath = "/door/out"
)

// knock finds out who asks, by key or by session.
func (d *Door) knock(r *http.Request) (Caller, bool, error) {
	afar := !isLoopback(remote(r))
	if scheme, text, ok := strings.Cut(r.Header.Get("Authorization"), " "); ok && strings.EqualFold(scheme, "Bearer") {
		text = strings.TrimSpace(text)
		if d.house.fits(text) {
			return Caller{Name: "this computer", Role: Operate, How: "key", Afar: afar}, true, nil
		}
		k, ok, err := d.o.Book.Key(text)
		if err != nil || ok {
			return Caller{Name: k.Name, Role: k.Role, How: "key", Afar: afar}, ok, err
		}
	}
	p, ok, err := d.sessionOf(r)
	return Caller{Name: p.Name, Role: p.Role, How: "session", Afar: afar}, ok, err
}

func (d *Door) sessionOf(r *http.Request) (Person, bool, error) {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return Person{}, false, nil
	}
	return d.o.Book.Session(c.Value)
}

func (d *Door) in(w http.ResponseWriter, r *http.Request) {
	switch r.Method {
	case http.MethodGet, http.MethodHead:
		if _, ok, _ := d.sessionOf(r); ok {
			http.Redirect(w, r, "/", http.StatusSeeOther)
			return
		}
		d.o.Ask(w, r, "")
	case http.MethodPost:
		r.Body = http.MaxBytesReader(w, r.Body, 4<<10)
		name, password := strings.TrimSpace(r.PostFormValue("name")), r.PostFormValue("password")
		note(r.Context(), Caller{Name: name[:min(len(name), namePlaces)], How: "log-in", Afar: !isLoopback(remote(r))})
		// By address and by name: many addresses may guess at one person.
		if !d.attempts.allow("at "+remote(r)) || !d.attempts.allow("of "+strings.ToLower(name[:min(len(name), namePlaces)])) {
			w.Header().Set("Retry-After", "60")
			d.o.Deny(w, r, http.StatusTooManyRequests, "Too many attempts. Wait a minute.")
			return
		}
		p, ok, err := d.o.Book.Admit(name, password)
		if err != nil {
			d.broken(w, r, err)
			return
		}
		if !ok {
			d.o.Ask(w, r, "That name and that password do not belong together.")
			return
		}
		value, until, err := d.o.Book.Open(p)
		if err != nil {
			d.broken(w, r, err)
			return
		}
		http.SetCookie(w, d.cookie(r, value, until, 0))
		http.Redirect(w, r, "/", http.StatusSeeOther)
	default:
		w.Header().Set("Allow", "GET, POST")
		d.o.Deny(w, r, http.StatusMethodNotAllowed, "Log in with a form: GET or POST.")
	}
}

func (d *Door) out(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", "POST")
		d.o.Deny(w, r, http.StatusMethodNotAllowed, "Log out with POST.")
		return
	}
	if c, err := r.Cookie(cookieName); err == nil {
		if err := d.o.Book.Leave(c.Value); err != nil {
			d.broken(w, r, err)
			return
		}
	}
	http.SetCookie(w, d.cookie(r, "", time.Time{}, -1))
	http.Redirect(w, r, InPath, http.StatusSeeOther)
}

// broken answers when the book cannot be read: nobody is let in.
func (d *Door) broken(w http.ResponseWriter, r *http.Request, err error) {
	d.o.Log.Error("nobody can be let in", "err", err)
	d.o.Deny(w, r, http.StatusServiceUnavailable, "The list of people cannot be read; the daemon's log says why. Nobody is let in until it can.")
}

func (d *Door) cookie(r *http.Request, value string, end time.Time, maxAge int) *http.Cookie {
	return &http.Cookie{
		Name: cookieName, Value: value, Path: "/", Expires: end, MaxAge: maxAge,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	}
}

func remote(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}
