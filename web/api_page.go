package web

import (
	"bytes"
	_ "embed"
	"html/template"
	"maps"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

//go:embed api_page.html
var apiPageText string

//go:embed api_page.css
var apiPageStyle []byte

var apiPage = template.Must(template.New("api").Parse(apiPageText))

// apiOperation is one operation as the readable page shows it.
type apiOperation struct {
	Method, Path, ID, Summary, Description string
	Parameters                             []apiField
	Takes                                  []apiField
	TakesWhat                              string // a body that is no JSON object
	Gives                                  string
}

// apiField is a parameter or a member of a body.
type apiField struct {
	Name, In, Type, Doc string
	Required            bool
}

// apiOperations reads the document from which programs are generated, so that
// the page cannot say anything else.
func apiOperations(doc *huma.OpenAPI) []apiOperation {
	var out []apiOperation
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		item := doc.Paths[path]
		for _, m := range []struct {
			method string
			op     *huma.Operation
		}{{"GET", item.Get}, {"POST", item.Post}, {"PUT", item.Put}, {"DELETE", item.Delete}} {
			if m.op == nil {
				continue
			}
			o := apiOperation{Method: m.method, Path: path, ID: m.op.OperationID, Summary: m.op.Summary, Description: m.op.Description}
			for _, p := range m.op.Parameters {
				o.Parameters = append(o.Parameters, apiField{p.Name, p.In, typeOf(doc, p.Schema), firstText(p.Description, p.Schema), p.Required})
			}
			if b := m.op.RequestBody; b != nil {
				o.TakesWhat = strings.Join(slices.Sorted(maps.Keys(b.Content)), ", ")
				if j := b.Content["application/json"]; j != nil {
					o.Takes = members(doc, j.Schema)
				}
			}
			for status, r := range m.op.Responses {
				if !strings.HasPrefix(status, "2") {
					continue
				}
				if j := r.Content["application/json"]; j != nil {
					o.Gives = status + " " + typeOf(doc, j.Schema)
				} else {
					o.Gives = status
				}
			}
			out = append(out, o)
		}
	}
	return out
}

func firstText(s string, schema *huma.Schema) string {
	if s == "" && schema != nil {
		return schema.Description
	}
	return s
}

func resolved(doc *huma.OpenAPI, s *huma.Schema) *huma.Schema {
	if s != nil && s.Ref != "" {
		return doc.Components.Schemas.SchemaFromRef(s.Ref)
	}
	return s
}

func typeOf(doc *huma.OpenAPI, s *huma.Schema) string {
	switch {
	case s == nil:
		return ""
	case s.Ref != "":
		return s.Ref[strings.LastIndexByte(s.Ref, '/')+1:]
	case s.Type == huma.TypeArray:
		return "list of " + typeOf(doc, s.Items)
	case s.Format != "":
		return s.Type + ", " + s.Format
	}
	return s.Type
}

func members(doc *huma.OpenAPI, s *huma.Schema) []apiField {
	s = resolved(doc, s)
	if s == nil {
		return nil
	}
	var out []apiField
	for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
		p := s.Properties[name]
		out = append(out, apiField{name, "", typeOf(doc, p), p.Description, slices.Contains(s.Required, name)})
	}
	return out
}

// pageRoutes serve the readable page; it is made once, when all is registered.
func (a *api) pageRoutes(mux *http.ServeMux) {
	doc := a.register.OpenAPI()
	type shape struct {
		Name   string
		Fields []apiField
	}
	var shapes []shape
	all := doc.Components.Schemas.Map()
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if fields := members(doc, all[name]); len(fields) > 0 {
			shapes = append(shapes, shape{name, fields})
		}
	}
	var b bytes.Buffer
	err := apiPage.Execute(&b, map[string]any{
		"Title": doc.Info.Title, "Version": doc.Info.Version, "About": doc.Info.Description,
		"Operations": apiOperations(doc), "Shapes": shapes,
	})
	if err != nil {
		panic(err) // the template does not fit its own data: found by any test
	}
	give := func(kind string, body []byte) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			w.Header().Set("Cache-Control", "private, no-cache")
			_, _ = w.Write(body)
		}
	}
	mux.Handle("GET /api", give("text/html; charset=utf-8", b.Bytes()))
	mux.Handle("GET /api/page.css", give("text/css; charset=utf-8", apiPageStyle))
}
