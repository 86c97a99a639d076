package config

import (
	"errors"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// reader holds a file while it is read, and what was found wrong with it.
type reader struct {
	path  string
	data  []byte
	root  *table
	found []found
}

// value is what stands right of an equals sign, or a table.
type value struct {
	kind       unstable.Kind
	at, length int // in bytes; of a table: its header
	text       string
	items      []*value // of an array
	table      *table
}

// table is one table of the file. Whoever reads it asks for its keys one by one
// and then calls done, which reports the keys that nobody asked for.
type table struct {
	r     *reader
	name  string // for people: "[house]", "[[printer]]", "[printer.limits]"
	at    int    // of the header, in bytes
	end   int    // behind the header
	keys  []*entry
	index map[string]*entry
	asked []string
}

type entry struct {
	key        string
	at, length int
	value      *value
	lists      bool // an array of tables, made by [[headers]]
}

// read checks the syntax and builds the tree. The library's own decoder finds
// whatever TOML forbids; its parser then gives the places.
func read(path string, data []byte) (*reader, *table, error) {
	r := &reader{path: path, data: data}
	var all map[string]any
	if err := toml.Unmarshal(data, &all); err != nil {
		f := found{at: -1, text: "not TOML: " + strings.TrimPrefix(err.Error(), "toml: ")}
		var bad *toml.DecodeError
		if errors.As(err, &bad) {
			line, column := bad.Position()
			f.at, f.length = offset(data, line, column), 1
		}
		return nil, nil, &Invalid{Path: path, Problems: []Problem{place(path, data, f)}}
	}
	root := &table{r: r, name: "the file", at: -1}
	r.root = root
	var p unstable.Parser
	p.Reset(data)
	here := root
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table:
			here = r.header(root, e, false)
		case unstable.ArrayTable:
			here = r.header(root, e, true)
		case unstable.KeyValue:
			r.keyValue(here, e)
		}
	}
	if err := p.Error(); err != nil {
		return nil, nil, &Invalid{Path: path, Problems: []Problem{{Path: path, Text: "not TOML: " + err.Error()}}}
	}
	return r, root, nil
}

// offset is the byte offset of a line and a byte column, both from 1.
func offset(data []byte, line, column int) int {
	at := 0
	for n := 1; n < line && at < len(data); at++ {
		if data[at] == '\n' {
			n++
		}
	}
	return min(at+column-1, len(data))
}

// header opens the table that a [header] or [[header]] names.
func (r *reader) header(root *table, e *unstable.Node, list bool) *table {
	here := root
	var names []string
	it := e.Key()
	for it.Next() {
		k := it.Node()
		names = append(names, string(k.Data))
		last := it.IsLast()
		at, length := int(k.Raw.Offset), int(k.Raw.Length)
		old := here.entry(string(k.Data))
		if old == nil {
			old = &entry{key: string(k.Data), at: at, length: length, lists: list && last}
			if !old.lists {
				old.value = r.newTable(names, at, length, false)
			} else {
				old.value = &value{kind: unstable.Array, at: at, length: length}
			}
			here.put(old)
		}
		switch {
		case old.lists && last:
			v := r.newTable(names, at, length, true)
			old.value.items = append(old.value.items, v)
			here = v.table
		case old.lists:
			here = old.value.items[len(old.value.items)-1].table
		default:
			here = old.value.table
		}
	}
	return here
}

func (r *reader) newTable(names []string, at, length int, list bool) *value {
	name := "[" + strings.Join(names, ".") + "]"
	if list {
		name = "[" + name + "]"
	}
	return &value{
		kind: unstable.InlineTable, at: at, length: length,
		table: &table{r: r, name: name, at: at, end: at + length},
	}
}

func (r *reader) keyValue(here *table, e *unstable.Node) {
	it := e.Key()
	for it.Next() {
		k := it.Node()
		at, length := int(k.Raw.Offset), int(k.Raw.Length)
		if it.IsLast() {
			here.put(&entry{key: string(k.Data), at: at, length: length, value: r.value(here, string(k.Data), at, e.Value())})
			return
		}
		old := here.entry(string(k.Data))
		if old == nil {
			old = &entry{key: string(k.Data), at: at, length: length, value: r.newTable([]string{string(k.Data)}, at, length, false)}
			here.put(old)
		}
		here = old.value.table
	}
}

func (r *reader) value(here *table, key string, at int, n *unstable.Node) *value {
	v := &value{kind: n.Kind, at: int(n.Raw.Offset), length: int(n.Raw.Length), text: string(n.Data)}
	if v.length == 0 { // arrays come without a place of their own: mark the key
		v.at, v.length = at, len(key)
	}
	switch n.Kind {
	case unstable.Array:
		it := n.Children()
		for it.Next() {
			if it.Node().Kind != unstable.Comment {
				v.items = append(v.items, r.value(here, key, at, it.Node()))
			}
		}
	case unstable.InlineTable:
		v.table = &table{r: r, name: "[" + strings.Trim(here.name, "[]") + "." + key + "]", at: at, end: at + len(key)}
		if here.at < 0 {
			v.table.name = "[" + key + "]"
		}
		it := n.Children()
		for it.Next() {
			if it.Node().Kind == unstable.KeyValue {
				r.keyValue(v.table, it.Node())
			}
		}
	}
	return v
}

func (t *table) entry(key string) *entry {
	return t.index[key]
}

func (t *table) put(e *entry) {
	if t.index == nil {
		t.index = make(map[string]*entry)
	}
	t.index[e.key] = e
	t.keys = append(t.keys, e)
}
