package config

import "strings"

// across checks what concerns several tables at once.
func (r *reader) across(c *Config) {
	root := r.root
	circuits, printers := root.entry("circuit"), root.entry("printer")
	if circuits == nil || printers == nil || len(c.Circuits) == 0 {
		return
	}
	r.unique(circuits, "name", "circuit", "")
	r.unique(printers, "name", "printer", "")
	r.unique(printers, "path", "printer", "one port has one printer")

	names := make([]string, 0, len(c.Circuits))
	known := make(map[string]Circuit)
	for _, k := range c.Circuits {
		names = append(names, k.Name)
		known[k.Name] = k
	}
	first := make(map[string]int) // of a kind, by index
	tables := tablesOf(printers)
	for i, p := range c.Printers {
		t := tables[i]
		if v := t.value("circuit"); v != nil && p.Circuit != "" {
			k, ok := known[p.Circuit]
			switch near := nearest(p.Circuit, names); {
			case !ok && near != "":
				r.problem(v.at, v.length, "there is no circuit %q; did you mean %q?", p.Circuit, near)
			case !ok:
				r.problem(v.at, v.length, "there is no circuit %q; known are %q", p.Circuit, names[:min(8, len(names))])
			case k.LimitW() > k.StandingW && p.HeatingW > k.LimitW()-k.StandingW:
				h := t.value("heating_w")
				r.problem(h.at, h.length, "heating_w is %s, but circuit %q has %s W to give (%s in all, less %s standing): %s could never start",
					short(p.HeatingW), k.Name, short(k.LimitW()-k.StandingW), short(k.LimitW()), short(k.StandingW), p.Name)
			}
		}
		if p.Kind == "" {
			continue
		}
		n, seen := first[p.Kind]
		if !seen {
			first[p.Kind] = i
			continue
		}
		r.alike(&c.Printers[n], &p, t)
	}
}

// tablesOf gives the tables of a list, in order; anything else in it was
// reported when it was read.
func tablesOf(list *entry) []*table {
	var out []*table
	for _, item := range list.value.items {
		if item.table != nil {
			out = append(out, item.table)
		}
	}
	return out
}

// alike warns when two printers of one kind differ in what a file relies on.
func (r *reader) alike(a, b *Printer, t *table) {
	v := t.value("kind")
	if a.VolumeMM != b.VolumeMM && a.VolumeMM[0] > 0 && b.VolumeMM[0] > 0 {
		r.warn(v.at, v.length, "%s and %s are of kind %q but differ in volume_mm; a file for one may not fit the other", a.Name, b.Name, b.Kind)
	}
	if (a.Limits == nil) != (b.Limits == nil) || a.Limits != nil && *a.Limits != *b.Limits {
		r.warn(v.at, v.length, "%s and %s are of kind %q but differ in their limits; times will differ too", a.Name, b.Name, b.Kind)
	}
}

// unique reports the second table of a list with the same value for a key.
func (r *reader) unique(list *entry, key, of, why string) {
	seen := make(map[string]*value)
	for _, t := range tablesOf(list) {
		v := t.value(key)
		if v == nil || v.text == "" {
			continue
		}
		old, twice := seen[strings.ToLower(v.text)]
		if !twice {
			seen[strings.ToLower(v.text)] = v
			continue
		}
		line := place(r.path, r.data, found{at: old.at}).Line
		if why != "" {
			why = ": " + why
		}
		r.problem(v.at, v.length, "another %s, in line %d, has the %s %q too%s", of, line, key, v.text, why)
	}
}

// value returns the value of a key, nil when it is absent.
func (t *table) value(key string) *value {
	if e := t.entry(key); e != nil {
		return e.value
	}
	return nil
}
