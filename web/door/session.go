package door

import (
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Where a person logs in and out with a browser.
const (
	InPath  = "/door/in"
	OutPath = "/door/out"
)

const (
	cookieName  = "undercroft"
	sessionTime = 30 * 24 * time.Hour
)

func (d *Door) tokenFits(token string) bool {
	// Sums of equal length: the comparison tells nothing about the length either.
	sum := sha256.Sum256([]byte(token))
	return subtle.ConstantTimeCompare(sum[:], d.sum[:]) == 1
}

func (d *Door) bearer(r *http.Request) bool {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	return ok && strings.EqualFold(scheme, "Bearer") && d.tokenFits(strings.TrimSpace(token))
}

// session reads the cookie: an end time under a signature by a key that comes
// from the token. Nothing is kept here, and a new token ends every session.
func (d *Door) session(r *http.Request) bool {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return false
	}
	end, sig, ok := strings.Cut(c.Value, ".")
	if !ok {
		return false
	}
	if !hmac.Equal([]byte(sig), []byte(d.sign(end))) {
		return false
	}
	unix, err := strconv.ParseInt(end, 10, 64)
	return err == nil && d.o.Now().Before(time.Unix(unix, 0))
}

func (d *Door) sign(end string) string {
	mac := hmac.New(sha256.New, d.key)
	mac.Write([]byte(end))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

func (d *Door) in(w http.ResponseWriter, r *http.Request) {
	switch r.Method {
	case http.MethodGet, http.MethodHead:
		if d.session(r) {
			http.Redirect(w, r, "/", http.StatusSeeOther)
			return
		}
		d.o.Ask(w, r, "")
	case http.MethodPost:
		if !d.attempts.allow(remote(r)) {
			w.Header().Set("Retry-After", "60")
			d.o.Deny(w, r, http.StatusTooManyRequests, "Too many attempts. Wait a minute.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, 4<<10)
		if !d.tokenFits(strings.TrimSpace(r.PostFormValue("token"))) {
			d.o.Ask(w, r, "That token does not fit.")
			return
		}
		end := d.o.Now().Add(sessionTime)
		text := strconv.FormatInt(end.Unix(), 10)
		http.SetCookie(w, d.cookie(r, text+"."+d.sign(text), end, 0))
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
	http.SetCookie(w, d.cookie(r, "", time.Time{}, -1))
	http.Redirect(w, r, InPath, http.StatusSeeOther)
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
