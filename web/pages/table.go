package pages

import (
	"bytes"
	"embed"
	"html/template"
	"io/fs"
)

// page is one page of the house. Its content is NAME.html, inside of <main>; its
// module is static/page-NAME.js; static/page-NAME.css is there if it needs one.
type page struct {
	name  string
	path  string // as for http.ServeMux
	title string // in the navigation, and of the window until the house's name is known
	mark  string // of the navigation: a path in a box of 24 by 24; empty: not in it
	under string // name of the page that the navigation shows for it; empty: itself
}

// table lists the pages that exist, in the navigation's order: what has nothing
// to show yet is not in it, and so is linked from nowhere.
var table = []page{
	{name: "now", path: "/{$}", title: "Now", mark: "M4 21V11a8 8 0 0 1 16 0v10M2 21h20M9 21v-6h6v6"},
	{name: "machine", path: "/machine/{name}", title: "One machine", under: "now"},
	{name: "mishaps", path: "/mishaps", title: "Mishaps", mark: "M3 21h18M6 21v-8l3 2 2-4 3 4 4-3v9M6 8V5h12v4"},
	{name: "build", path: "/build", title: "The build", mark: "M3 21h18M5 21v-5h4v5M10 21V10h4v11M15 21V4h4v17"},
	{name: "stock", path: "/stock", title: "Stock", mark: "M3 12a9 9 0 1 0 18 0a9 9 0 1 0-18 0M9 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0"},
	{name: "files", path: "/files", title: "Files in", mark: "M12 3v11M7 9l5 5l5-5M4 16v5h16v-5"},
}

//go:embed static *.html
var files embed.FS

var (
	login = template.Must(template.ParseFS(files, "login.html"))
	shell = template.Must(template.ParseFS(files, "shell.html"))
)

// Who is what the shell must know of the person who asks for a page.
type Who struct {
	Session bool // they came by the form, and may leave again
	Watch   bool // they may look and change nothing: no page offers them to
}

// link is one place in the navigation.
type link struct {
	Name, Path, Title, Mark string
	Current                 bool
}

// made is a page inside the shell, for one kind of visitor.
func (p page) made(who Who) asset {
	under := p.under
	if under == "" {
		under = p.name
	}
	var links []link
	for _, q := range table {
		if q.mark != "" {
			links = append(links, link{q.name, q.address(), q.title, q.mark, q.name == under})
		}
	}
	styles := ""
	if _, err := fs.Stat(files, "static/page-"+p.name+".css"); err == nil {
		styles = Assets + "page-" + p.name + ".css"
	}
	var body bytes.Buffer
	if err := shell.Execute(&body, map[string]any{
		"Name": p.name, "Title": p.title, "Links": links, "Who": who, "Styles": styles,
		"Main": template.HTML(read(p.name + ".html")), // embedded: ours
	}); err != nil {
		panic(err) // embedded: cannot fail on a running system
	}
	return made("page.html", body.Bytes())
}

// address is where the navigation leads.
func (p page) address() string {
	if p.path == "/{$}" {
		return "/"
	}
	return p.path
}
