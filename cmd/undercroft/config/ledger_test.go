package config

import (
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"undercroft/queue"
)

// Printers without a link, beds that do not start at 0, 0, the owner's table of
// surfaces, the inbox.
func TestByHandOriginSurfacesInbox(t *testing.T) {
	text := strings.Replace(base, `volume_mm = [400, 400, 450]`, "volume_mm = [400, 300, 450]\norigin_mm = \"centre\"", 1)
	text = strings.Replace(text, `volume_mm = [400, 400, 450]`, "volume_mm = [400, 400, 450]\norigin_mm = [-5, 3]", 1)
	text = strings.Replace(text, `data = "files"`, "data = \"files\"\ninbox = \"in\"", 1)
	c, err := parse(filepath.Join("etc", "house.toml"), []byte(text+"\n[[printer]]\nname = \"Shed\"\nkind = \"by-hand\"\n\n[surfaces]\npetg = [\"Slate\", \"textured\"]\nPLA = []\n"))
	if err != nil {
		t.Fatal(err)
	}
	if p := c.Printers[0]; p.OriginMM != [2]float64{200, 150} {
		t.Errorf("the centre is %v", p.OriginMM)
	}
	if p := c.Printers[1]; p.OriginMM != [2]float64{-5, 3} {
		t.Errorf("the origin is %v", p.OriginMM)
	}
	if p := c.Printers[2]; p.Name != "Shed" || p.Kind != queue.ByHand || p.Path != "" {
		t.Errorf("%+v", p)
	}
	if want := (queue.Surfaces{"PETG": {"slate", "textured"}, "PLA": {}}); !reflect.DeepEqual(c.Surfaces, want) {
		t.Errorf("surfaces %v, want %v", c.Surfaces, want)
	}
	if c.House.Inbox != filepath.Join("etc", "in") {
		t.Errorf("the inbox is %s", c.House.Inbox)
	}
	for _, c := range []struct{ text, want string }{
		{strings.Replace(base, `max_bed_c = 105`, "max_bed_c = 105\norigin_mm = \"middle\"", 1), `origin_mm: "middle" is not a place; wanted is "centre"`},
		{base + "\n[[printer]]\nname = \"Shed\"\nkind = \"by-hand\"\nbaud = 9600\n", "baud"},
		{base + "\n[surfaces]\nPETG = \"textured\"\n", "PETG is a text; wanted is a list of plate surfaces"},
	} {
		if _, err := parse("house.toml", []byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want %q: %v", c.want, err)
		}
	}
}
