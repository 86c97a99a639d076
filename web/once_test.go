package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"

	"undercroft/web"
	"undercroft/web/door"
)

func TestOnce(t *testing.T) {
	house, ts := cellar(t, nil)
	add := func(key, name, body string) (*http.Response, string) {
		return ask(t, "POST", ts.URL+"/api/files?file_name="+name, body, "Content-Type", "application/octet-stream", web.OnceHeader, key)
	}
	first, one := add(`"k-1"`, "rib.gcode", "G28\n")
	again, two := add(`"k-1"`, "rib.gcode", "G28\n")
	if first.StatusCode != 201 || again.StatusCode != 201 || one != two {
		t.Fatalf("%d %s, then %d %s", first.StatusCode, one, again.StatusCode, two)
	}
	if n := len(house.Calls()); n != 1 {
		t.Errorf("added %d times: %v", n, house.Calls())
	}
	for name, got := range map[string]func() (*http.Response, string){
		"another body":    func() (*http.Response, string) { return add(`"k-1"`, "rib.gcode", "G28 X\n") },
		"another address": func() (*http.Response, string) { return add(`"k-1"`, "foot.gcode", "G28\n") },
	} {
		if resp, text := got(); resp.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, resp.StatusCode, text)
		}
	}
	if resp, _ := add(`"k-2"`, "rib.gcode", "G28\n"); resp.StatusCode != 201 || len(house.Calls()) != 2 {
		t.Errorf("another key: %d", resp.StatusCode)
	}
	if resp, _ := add(strings.Repeat("k", 201), "rib.gcode", "G28\n"); resp.StatusCode != http.StatusBadRequest {
		t.Errorf("a key that is too long: %d", resp.StatusCode)
	}

	// What failed for a reason of the moment is tried anew.
	house.FailWith(fmt.Errorf("disk"))
	if resp, _ := add(`"k-3"`, "rib.gcode", "G28\n"); resp.StatusCode != 500 {
		t.Errorf("%d", resp.StatusCode)
	}
	house.FailWith(nil)
	if resp, _ := add(`"k-3"`, "rib.gcode", "G28\n"); resp.StatusCode != 201 {
		t.Errorf("after a failure: %d", resp.StatusCode)
	}
}

// Of many at once, one does it.
func TestOnceAtOnce(t *testing.T) {
	house, ts := cellar(t, nil)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			resp, text := ask(t, "POST", ts.URL+"/api/printers/Bittern/pause", "", web.OnceHeader, "p")
			if resp.StatusCode != 204 && resp.StatusCode != 409 {
				t.Errorf("%d %s", resp.StatusCode, text)
			}
		})
	}
	all.Wait()
	if n := len(house.Calls()); n != 1 {
		t.Errorf("done %d times", n)
	}
}

// A key is the caller's own: nobody gets another's answer.
func TestOnceIsOnesOwn(t *testing.T) {
	book, keys := peopleAndKeys(t)
	house, ts := cellar(t, func(o *web.Options) { o.Book = book })
	for _, key := range keys {
		resp, text := ask(t, "POST", ts.URL+"/api/files?file_name=rib.gcode", "G28\n", "Content-Type", "application/octet-stream", web.OnceHeader, "same", "Authorization", "Bearer "+key)
		if resp.StatusCode != 201 {
			t.Errorf("%d %s", resp.StatusCode, text)
		}
	}
	if n := len(house.Calls()); n != len(keys) {
		t.Errorf("done %d times for %d callers", n, len(keys))
	}
}

func peopleAndKeys(t *testing.T) (*door.Book, []string) {
	t.Helper()
	book, err := door.OpenBook(t.TempDir()+"/people.json", nil)
	if err != nil {
		t.Fatal(err)
	}
	var keys []string
	for _, name := range []string{"script", "other"} {
		key, err := book.AddKey(name, door.Operate)
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, key)
	}
	return book, keys
}

func TestETags(t *testing.T) {
	house, ts := cellar(t, nil)
	for _, path := range []string{"/api/view", "/api/jobs", "/api/builds", "/api/spools"} {
		resp, text := ask(t, "GET", ts.URL+path, "")
		tag := resp.Header.Get("ETag")
		if resp.StatusCode != 200 || tag == "" || text == "" {
			t.Fatalf("%s: %d, tag %q", path, resp.StatusCode, tag)
		}
		if resp, text := ask(t, "GET", ts.URL+path, "", "If-None-Match", `"x", W/`+tag); resp.StatusCode != 304 || text != "" {
			t.Errorf("%s unchanged: %d %q", path, resp.StatusCode, text)
		}
	}
	resp, _ := ask(t, "GET", ts.URL+"/api/view", "")
	house.Change(func(v *web.View) { v.Title = "Two herons" })
	if resp, text := ask(t, "GET", ts.URL+"/api/view", "", "If-None-Match", resp.Header.Get("ETag")); resp.StatusCode != 200 || !strings.Contains(text, "Two herons") {
		t.Errorf("changed: %d", resp.StatusCode)
	}
	if resp, _ := ask(t, "GET", ts.URL+"/api/nothing", ""); resp.StatusCode != 404 || resp.Header.Get("ETag") != "" {
		t.Errorf("nothing: %d, tag %q", resp.StatusCode, resp.Header.Get("ETag"))
	}
}

// Following the links gives the whole list, each once.
func TestPages(t *testing.T) {
	_, ts := cellar(t, nil)
	var whole []web.Job
	_, text := ask(t, "GET", ts.URL+"/api/jobs", "")
	if err := json.Unmarshal([]byte(text), &whole); err != nil {
		t.Fatal(err)
	}
	var got []int64
	for path, n := "/api/jobs?limit=3", 0; path != ""; n++ {
		if n > 10 {
			t.Fatal("no end")
		}
		resp, text := ask(t, "GET", ts.URL+path, "")
		var part []web.Job
		if err := json.Unmarshal([]byte(text), &part); err != nil || len(part) > 3 {
			t.Fatalf("%d of 3: %v", len(part), err)
		}
		for _, j := range part {
			got = append(got, j.ID)
		}
		path, _, _ = strings.Cut(strings.TrimPrefix(resp.Header.Get("Link"), "<"), ">")
	}
	if len(got) != len(whole) || len(whole) < 7 {
		t.Fatalf("%v of %d", got, len(whole))
	}
	for i := range whole {
		if whole[i].ID != got[i] {
			t.Errorf("%v", got)
		}
	}
	if resp, _ := ask(t, "GET", ts.URL+"/api/jobs?limit=0", ""); resp.StatusCode != 400 {
		t.Errorf("a limit of nothing: %d", resp.StatusCode)
	}
}

// The readable page has every operation, and no script.
func TestAPIPage(t *testing.T) {
	_, ts := cellar(t, nil)
	_, text := ask(t, "GET", ts.URL+"/openapi.json", "")
	var doc struct {
		Paths map[string]map[string]struct {
			ID string `json:"operationId"`
		}
	}
	if err := json.Unmarshal([]byte(text), &doc); err != nil || len(doc.Paths) < 30 {
		t.Fatalf("%d paths: %v", len(doc.Paths), err)
	}
	resp, page := ask(t, "GET", ts.URL+"/api", "")
	if resp.StatusCode != 200 || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/html") {
		t.Fatalf("%d", resp.StatusCode)
	}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			if !strings.Contains(page, `id="`+op.ID+`"`) {
				t.Errorf("%s %s is not on the page", method, path)
			}
		}
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "style=") || strings.Contains(page, "//cdn") {
		t.Error("the page wants more than this house gives")
	}
	if resp, _ := ask(t, "GET", ts.URL+"/api/page.css", ""); resp.StatusCode != 200 {
		t.Error("the page has no style")
	}
}
