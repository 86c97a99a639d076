// Package door decides who may speak to the house: programs on the same
// computer without a credential as long as nobody is written down, or, once
// somebody is, people with a password and programs with a key.
package door

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync/atomic"
	"time"
)

// Options say how the house is reached.
type Options struct {
	// Listen is the address, host:port. With an empty book only a loopback host
	// is taken.
	Listen string
	// Book is who may come in; nil: nobody is written down.
	Book *Book
	// HouseKey lets the commands on this computer in; the zero value lets none.
	HouseKey HouseKey
	// Hosts are further names by which people reach the house, e.g.
	// "cellar.home.arpa".
	Hosts []string
	// Now is for tests; time.Now when nil.
	Now func() time.Time
	Log *slog.Logger
	// Deny answers a request that is not let in.
	Deny func(w http.ResponseWriter, r *http.Request, status int, text string)
	// Ask answers a person at a browser who has no credential yet: the log-in page,
	// with a word on what went wrong, if anything did. It sets no status.
	Ask func(w http.ResponseWriter, r *http.Request, wrong string)
	// Open tells which paths anybody may read: what the log-in page is made of, and
	// whether the daemon lives.
	Open func(path string) bool
}

// Door is the check in front of every handler.
type Door struct {
	o        Options
	house    HouseKey
	loopback bool
	hosts    atomic.Pointer[[]string]
	attempts limiter
}

// New refuses an address that others can reach while nobody is written down.
func New(o Options) (*Door, error) {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("the listen address %q is not of the form host:port: %w", o.Listen, err)
	}
	if o.Deny == nil || o.Ask == nil || o.Open == nil {
		return nil, errors.New("door: Deny, Ask and Open must be set")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Book == nil {
		o.Book = &Book{now: o.Now}
	}
	d := &Door{o: o, house: o.HouseKey, loopback: isLoopback(host), attempts: limiter{now: o.Now}}
	empty, err := o.Book.Empty()
	if err != nil {
		return nil, err
	}
	if empty && !d.loopback {
		return nil, fmt.Errorf("listening on %q would let anyone on the network heat and move the printers: write somebody down first with 'undercroft people add NAME', or listen on 127.0.0.1", o.Listen)
	}
	d.SetHosts(o.Hosts)
	return d, nil
}

// SetHosts changes the further names of Options.Hosts.
func (d *Door) SetHosts(hosts []string) {
	var names []string
	for _, h := range hosts {
		names = append(names, strings.ToLower(strings.TrimSuffix(h, ".")))
	}
	d.hosts.Store(&names)
}

// Wrap puts the door before next.
func (d *Door) Wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		empty, err := d.o.Book.Empty()
		if err != nil {
			d.broken(w, r, err)
			return
		}
		// Where others can reach the house, an empty book means nobody.
		locked := !empty || !d.loopback
		if !d.knowsHost(r.Host, locked) {
			d.o.Deny(w, r, http.StatusMisdirectedRequest, fmt.Sprintf("This house does not go by the name %q. Use its address, or add the name to the hosts in the configuration.", r.Host))
			return
		}
		if !locked {
			// A proxy on this computer would let the whole network in by the back door.
			if r.Header.Get("Forwarded") != "" || r.Header.Get("X-Forwarded-For") != "" {
				d.o.Deny(w, r, http.StatusForbidden, "This request came through a proxy; as long as nobody is written down ('undercroft people add'), the house speaks with its own computer only.")
				return
			}
			caller := Caller{Name: "this computer", Role: Operate, How: "here", Afar: !isLoopback(remote(r))}
			note(r.Context(), caller)
			still := func() bool {
				empty, err := d.o.Book.Empty()
				return empty && err == nil
			}
			next.ServeHTTP(w, r.WithContext(with(r.Context(), caller, still)))
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
		caller, ok, err := d.knock(r)
		note(r.Context(), caller)
		switch {
		case err != nil:
			d.broken(w, r, err)
		case ok && caller.Role != Operate && r.Method != http.MethodGet && r.Method != http.MethodHead:
			d.o.Deny(w, r, http.StatusForbidden, fmt.Sprintf("%s may watch here, not operate. Whoever keeps this house can change that with 'undercroft people role'.", caller.Name))
		case ok:
			still := func() bool {
				_, ok, err := d.knock(r)
				return ok && err == nil
			}
			next.ServeHTTP(w, r.WithContext(with(r.Context(), caller, still)))
		case d.o.Open(r.URL.Path):
			next.ServeHTTP(w, r)
		case r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html"):
			http.Redirect(w, r, InPath, http.StatusSeeOther)
		default:
			w.Header().Set("WWW-Authenticate", `Bearer realm="undercroft"`)
			d.o.Deny(w, r, http.StatusUnauthorized, "A credential is needed: send 'Authorization: Bearer KEY', or log in at "+InPath+".")
		}
	})
}

// knowsHost guards against names that were bound to this address from outside
// (DNS rebinding): a page elsewhere could otherwise pass for our own.
func (d *Door) knowsHost(host string, locked bool) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.TrimSuffix(strings.Trim(name, "[]"), "."))
	if slices.Contains(*d.hosts.Load(), name) || isLoopback(name) {
		return true
	}
	// An address in figures cannot be rebound; behind a lock it may be any of ours.
	if _, err := netip.ParseAddr(name); err == nil {
		return locked
	}
	return false
}
