package web

import (
	"fmt"
	"net/url"
	"strconv"
)

// Page asks for a part of a list that grows. It is exported for the API library,
// which fills embedded structs only then.
type Page struct {
	Limit int   `query:"limit" minimum:"1" maximum:"1000" doc:"at most so many; left out: all"`
	After int64 `query:"after" minimum:"1" doc:"only what follows on the entry with this id"`
}

// paged is a list with a word on where it goes on (RFC 8288).
type paged[T any] struct {
	CacheControl string `header:"Cache-Control"`
	Link         string `header:"Link"`
	Body         []T
}

// cut takes the page out of a list; an id that is not in it follows on nothing.
func cut[T any](p Page, list []T, id func(*T) int64, path string, query url.Values) *paged[T] {
	list = listed(list)
	if p.After > 0 {
		from := len(list)
		for i := range list {
			if id(&list[i]) == p.After {
				from = i + 1
				break
			}
		}
		list = list[from:]
	}
	out := &paged[T]{CacheControl: "no-store", Body: list}
	if p.Limit > 0 && len(list) > p.Limit {
		out.Body = list[:p.Limit]
		query.Set("limit", strconv.Itoa(p.Limit))
		query.Set("after", strconv.FormatInt(id(&out.Body[p.Limit-1]), 10))
		out.Link = fmt.Sprintf("<%s?%s>; rel=\"next\"", path, query.Encode())
	}
	return out
}
