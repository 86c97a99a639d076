package config

import (
	"os"
	"path/filepath"
	"testing"
)

func TestExampleLoads(t *testing.T) {
	path := filepath.Join(t.TempDir(), "undercroft.toml")
	if err := os.WriteFile(path, []byte(Example()), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Warnings) != 0 {
		t.Errorf("the example warns: %v", c.Warnings)
	}
	if len(c.Printers) != 2 || len(c.Circuits) != 1 || c.Printers[1].Limits == nil || c.Printers[1].Clearing == nil {
		t.Errorf("the example was read by halves: %+v", c)
	}
}
