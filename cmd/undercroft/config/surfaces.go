package config

import (
	"strings"

	"undercroft/queue"
)

// surfaces reads which plate surfaces suit which material, where the owner wants
// it otherwise than shipped: PETG = ["textured"]; an empty list: any will do.
func (r *reader) surfaces(c *Config, root *table) {
	v := root.ask("surfaces")
	if v == nil {
		return
	}
	if v.table == nil {
		r.wrongType(v, "surfaces", "a table, [surfaces]")
		return
	}
	c.Surfaces = queue.Surfaces{}
	for _, e := range v.table.keys {
		list := r.texts(v.table.ask(e.key), e.key, `a list of plate surfaces, such as ["textured", "coated"]`)
		for i := range list {
			list[i] = strings.ToLower(list[i])
		}
		c.Surfaces[strings.ToUpper(e.key)] = list
	}
	v.table.done()
}
