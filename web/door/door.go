// Package door decides who may speak to the house: programs on the same
// computer without a credential, or, where the owner opened it to the network,
// whoever shows the token.
package door

import (
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"
)

// Options say how the house is reached.
type Options struct {
	// Listen is the address, host:port. Without a token only a loopback host is
	// taken.
	Listen string
	// Token opens the door to bearers of it; 16 characters or more. Empty: only
	// this computer, without a credential.
	Token string
	// Hosts are further names by which people reach the house, e.g.
	// "cellar.home.arpa".
	Hosts []string
	// Now is for tests; time.Now when nil.
	Now func() time.Time
	// Deny answers a request that is not let in.
	Deny func(w http.ResponseWriter, r *http.Request, status int, text string)
	// Ask answers a person at a browser who has no credential yet: the log-in page,
	// with a word on what went wrong, if anything did. It sets no status.
	Ask func(w http.ResponseWriter, r *http.Request, wrong string)
	// Open tells which paths anybody may read: what the log-in page is made of, and
	// whether the daemon lives.
	Open func(path string) bool
}

// MinTokenLen keeps guessing hopeless: 16 characters of a random token.
const MinTokenLen = 16

// Door is the check in front of every handler.
type Door struct {
	o        Options
	key      []byte // signs sessions; nil without a token
	sum      [sha256.Size]byte
	hosts    []string
	attempts limiter
}

// New refuses an address that others can reach without a token.
func New(o Options) (*Door, error) {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("the listen address %q is not of the form host:port: %w", o.Listen, err)
	}
	if o.Token == "" && !isLoopback(host) {
		return nil, fmt.Errorf("listening on %q would let anyone on the network heat and move the printers: set a token, or listen on 127.0.0.1", o.Listen)
	}
	if o.Token != "" && len(o.Token) < MinTokenLen {
		return nil, fmt.Errorf("the token has %d characters; it needs %d at least", len(o.Token), MinTokenLen)
	}
	if o.Deny == nil || o.Ask == nil || o.Open == nil {
		return nil, errors.New("door: Deny, Ask and Open must be set")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	d := &Door{o: o, attempts: limiter{now: o.Now}}
	for _, h := range o.Hosts {
		d.hosts = append(d.hosts, strings.ToLower(strings.TrimSuffix(h, ".")))
	}
	if o.Token != "" {
		d.sum = sha256.Sum256([]byte(o.Token))
		mac := hmac.New(sha256.New, []byte(o.Token))
		mac.Write([]byte("undercroft session key 1"))
		d.key = mac.Sum(nil)
	}
	return d, nil
}

// Credential says whether callers need one.
func (d *Door) Credential() bool { return d.key != nil }

// Wrap puts the door before next.
func (d *Door) Wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !d.knowsHost(r.Host) {
			d.o.Deny(w, r, http.StatusMisdirectedRequest, fmt.Sprintf("This house does not go by the name %q. Use its address, or add the name to the hosts in the configuration.", r.Host))
			return
		}
		if !d.Credential() {
			// A proxy on this computer would let the whole network in by the back door.
			if r.Header.Get("Forwarded") != "" || r.Header.Get("X-Forwarded-For") != "" {
				d.o.Deny(w, r, http.StatusForbidden, "This request came through a proxy; without a token the house speaks with its own computer only.")
				return
			}
			next.ServeHTTP(w, r)
			return
		}
		switch r.URL.Path {
		case InPath:
			d.in(w, r)
			return
		case OutPath:
			d.out(w, r)
			return
		}
		if d.o.Open(r.URL.Path) || d.bearer(r) || d.session(r) {
			next.ServeHTTP(w, r)
			return
		}
		if r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") {
			http.Redirect(w, r, InPath, http.StatusSeeOther)
			return
		}
		w.Header().Set("WWW-Authenticate", `Bearer realm="undercroft"`)
		d.o.Deny(w, r, http.StatusUnauthorized, "A credential is needed: send 'Authorization: Bearer TOKEN', or log in at "+InPath+".")
	})
}

// knowsHost guards against names that were bound to this address from outside
// (DNS rebinding): a page elsewhere could otherwise pass for our own.
func (d *Door) knowsHost(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.TrimSuffix(strings.Trim(name, "[]"), "."))
	if slices.Contains(d.hosts, name) || isLoopback(name) {
		return true
	}
	// An address in figures cannot be rebound; with a token it may be any of ours.
	if _, err := netip.ParseAddr(name); err == nil {
		return d.Credential()
	}
	return false
}

func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}
