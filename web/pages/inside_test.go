package pages

import "strings"

// Addresses lists every page's address, filled in for the house of paper.
func Addresses() map[string]string {
	all := map[string]string{}
	for _, p := range table {
		all[p.name] = strings.NewReplacer("{$}", "", "{name}", "Merel").Replace(p.path)
	}
	return all
}
