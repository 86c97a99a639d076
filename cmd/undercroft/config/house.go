package config

import (
	"math"
	"net"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"
)

const (
	defaultListen     = "127.0.0.1:8017"
	defaultStartDelay = time.Minute
)

var codePattern = regexp.MustCompile(`^[GMT][0-9]{1,4}(\.[0-9]{1,2})?$`)

// one returns a table that there may be once.
func (r *reader) one(root *table, key, why string) *table {
	root.asked = append(root.asked, key)
	e := root.entry(key)
	switch {
	case e == nil:
		if root.misspelt(key) == nil {
			r.problem(-1, 0, "there is no [%s]: %s", key, why)
		}
		return nil
	case e.lists:
		r.problem(e.at, e.length, "[[%s]] is a list; there is one [%s]", key, key)
		return nil
	case e.value.table == nil:
		r.problem(e.at, e.length, "%s is %s; wanted is a table, [%s]", key, e.value.what(), key)
		return nil
	}
	return e.value.table
}

// many returns the tables of a list of tables.
func (r *reader) many(root *table, key, why string) []*table {
	root.asked = append(root.asked, key)
	e := root.entry(key)
	if e == nil {
		if root.misspelt(key) == nil {
			r.problem(-1, 0, "there is no [[%s]]: %s", key, why)
		}
		return nil
	}
	if !e.lists && e.value.kind != unstable.Array {
		r.problem(e.at, e.length, "[%s] stands for one; write [[%s]], as there may be several", key, key)
		return nil
	}
	if len(e.value.items) == 0 {
		r.problem(e.at, e.length, "%s is empty: %s", key, why)
	}
	for _, v := range e.value.items {
		if v.table == nil {
			r.problem(v.at, v.length, "%s holds %s; wanted are tables, [[%s]]", key, v.what(), key)
		}
	}
	return tablesOf(e)
}

func (r *reader) house(c *Config, root *table) {
	t := r.one(root, "house", "it says where the house is and where its files lie")
	if t == nil {
		return
	}
	h := &c.House
	h.Title = r.text(t.ask("title"), "title", "a heading for the pages")
	r.zone(h, t.need("time_zone", `the name of a time zone, such as "Europe/Amsterdam"`))
	h.DataDir = r.besides(r.text(t.need("data", "the directory for the daemon's own files"), "data", "the name of a directory"))
	h.StartDelay = r.duration(t.ask("start_delay"), "start_delay", defaultStartDelay, time.Hour)
	h.Pace = 1
	if v := t.ask("pace"); v != nil {
		h.Pace, _ = r.number(v, "pace", noUnit, span{least: 1, most: 20000})
	}
	h.Inbox = r.besides(r.text(t.ask("inbox"), "inbox", "the name of a folder that files are put into"))
	r.door(h, t)
	h.Hosts = r.texts(t.ask("hosts"), "hosts", `further names of this computer, such as ["cellar.local"]`)
	r.codes(h, t.ask("allow_codes"))
	t.done()
}

func (r *reader) zone(h *House, v *value) {
	const want = `the name of a time zone, such as "Europe/Amsterdam"`
	name := r.text(v, "time_zone", want)
	if name == "" {
		return
	}
	where, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		r.problem(v.at, v.length, "time_zone: %q is not a name in the IANA time zone database; wanted is %s", name, want)
		return
	}
	h.TimeZone, h.Location = name, where
}

// door reads where the pages are, and sees to it that nobody reaches them from
// another computer without a credential.
func (r *reader) door(h *House, t *table) {
	v := t.ask("listen")
	h.Listen = defaultListen
	if s := r.text(v, "listen", `an address and a port, such as "127.0.0.1:8017"`); s != "" {
		h.Listen = s
	}
	host, port, err := net.SplitHostPort(h.Listen)
	if err != nil {
		r.problem(v.at, v.length, "listen: %q is not an address with a port, such as %q", h.Listen, defaultListen)
		return
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		r.problem(v.at, v.length, "listen: %q is not a port; wanted is a number from 0 to 65535 (0: any free one)", port)
		return
	}
	h.Loopback = isLoopback(host)
	r.tls(h, t)
}

// tls reads how the pages are encrypted. Off this computer they are unless the
// owner says otherwise: a password that crosses a network in clear is everyone's.
func (r *reader) tls(h *House, t *table) {
	v, cert, key := t.ask("tls"), t.ask("tls_certificate"), t.ask("tls_key")
	h.TLSCertificate = r.besides(r.text(cert, "tls_certificate", "the name of a file"))
	h.TLSKey = r.besides(r.text(key, "tls_key", "the name of a file"))
	switch {
	case cert != nil && key == nil:
		r.problem(cert.at, cert.length, "tls_certificate: a certificate is of no use without its key; give tls_key too")
	case key != nil && cert == nil:
		r.problem(key.at, key.length, "tls_key: a key is of no use without its certificate; give tls_certificate too")
	case cert != nil && v != nil:
		r.problem(v.at, v.length, "tls: leave it out where tls_certificate is given")
	}
	for _, f := range []struct {
		v    *value
		key  string
		path string
	}{{cert, "tls_certificate", h.TLSCertificate}, {key, "tls_key", h.TLSKey}} {
		if f.path == "" {
			continue
		}
		if info, err := os.Stat(f.path); err != nil || info.IsDir() {
			r.problem(f.v.at, f.v.length, "%s: there is no file %s", f.key, f.path)
		}
	}
	h.TLS = TLSSelfMade
	if h.Loopback {
		h.TLS = TLSOff
	}
	if s := r.text(v, "tls", `"off" or "self-made"`); s != "" {
		h.TLS = s
		if s != TLSOff && s != TLSSelfMade {
			r.problem(v.at, v.length, "tls: %q is neither %q nor %q", s, TLSOff, TLSSelfMade)
		}
		if s == TLSOff && !h.Loopback {
			r.warn(v.at, v.length, "tls: passwords and keys cross the network in clear; that is for a network that is encrypted otherwise")
		}
	}
}

func (r *reader) codes(h *House, v *value) {
	h.AllowCodes = r.texts(v, "allow_codes", `a list of codes, such as ["M500"]`)
	if v == nil {
		return
	}
	for _, item := range v.items {
		if item.kind == unstable.String && item.text != "" && !codePattern.MatchString(item.text) {
			r.problem(item.at, item.length, "allow_codes: %q is not a G-code command; wanted is a letter and a number, such as \"M500\"", item.text)
		}
	}
}

func (r *reader) circuits(c *Config, root *table) {
	for _, t := range r.many(root, "circuit", "printers hang on a circuit, whose load is planned") {
		var k Circuit
		k.Name = r.name(t, "circuit")
		k.Volts, _ = r.number(t.need("volts", "the circuit's voltage"), "volts", volts, span{least: 12, most: 1000})
		k.BreakerA, _ = r.number(t.need("breaker_a", "the rating printed on its breaker"), "breaker_a", amperes, span{most: 125, open: true})
		k.ContinuousShare = 0.8
		if v := t.ask("continuous_share"); v != nil {
			k.ContinuousShare, _ = r.number(v, "continuous_share", partsOfOne, span{most: 1, open: true})
		}
		standing := t.ask("standing_w")
		k.StandingW, _ = r.number(standing, "standing_w", watts, span{most: math.Inf(1)})
		if limit := k.LimitW(); limit > 0 && k.StandingW >= limit {
			r.problem(standing.at, standing.length, "standing_w is %s, but the circuit gives %s W in all (%s V × %s A × %s): nothing is left for printers",
				short(k.StandingW), short(limit), short(k.Volts), short(k.BreakerA), short(k.ContinuousShare))
		}
		t.done()
		c.Circuits = append(c.Circuits, k)
	}
}

var namePattern = regexp.MustCompile(`^[\pL\pN][\pL\pN ._-]{0,38}[\pL\pN]?$`)

// name reads the name of a printer, kind or circuit.
func (r *reader) name(t *table, of string) string {
	v := t.need("name", "what the "+of+" is called on pages and in commands")
	s := r.text(v, "name", "a name")
	r.checkName(v, "name", s)
	return s
}

func (r *reader) checkName(v *value, key, s string) {
	if strings.TrimSpace(s) != "" && !namePattern.MatchString(s) {
		r.problem(v.at, v.length, "%s: %q will not do; wanted are at most 40 letters, digits, spaces, dots and dashes", key, s)
	}
}
