package reprint

import (
	"flag"
	"os"
	"testing"
)

// TestMain keeps the generated files of an ordinary run few: each is cut at every
// layer. -rapid.checks=1000 looks longer.
func TestMain(m *testing.M) {
	flag.Parse()
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue {
		_ = f.Value.Set("30")
	}
	os.Exit(m.Run())
}
