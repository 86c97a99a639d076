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
	token := t.ask("token_file")
	h.TokenFile = r.besides(r.text(token, "token_file", "the name of a file"))
	if h.TokenFile != "" {
		if info, err := os.Stat(h.TokenFile); err != nil || info.IsDir() {
			r.problem(token.at, token.length, "token_file: there is no file %s; make one that only the daemon may read, with a long random word in it", h.TokenFile)
		} else if info.Mode().Perm()&0o077 != 0 {
			r.warn(token.at, token.length, "token_file: %s may be read by other users of this computer (mode %04o); 0600 is meant", h.TokenFile, info.Mode().Perm())
		}
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
	if !h.Loopback && token == nil {
		r.problem(v.at, v.length, "listen: %s can be reached from other computers, and whoever reaches it can heat and move the printers; give a token_file, or listen on %s", h.Listen, defaultListen)
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
