package webtest

import (
	"path/filepath"
	"testing"

	"undercroft/web/door"
)

// Password is the one of everybody in a book made by Book.
const Password = "a reed by the water"

// Book is a book in which Wim may operate and Noor may watch.
func Book(t testing.TB) *door.Book {
	t.Helper()
	b, err := door.OpenBook(filepath.Join(t.TempDir(), "people.json"), nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, role := range map[string]door.Role{"Wim": door.Operate, "Noor": door.Watch} {
		if err := b.AddPerson(name, role, Password); err != nil {
			t.Fatal(err)
		}
	}
	return b
}
