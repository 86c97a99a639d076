package web

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// FuzzBaseName: whatever comes in, what comes out is one plain element of a path.
func FuzzBaseName(f *testing.F) {
	for _, s := range []string{"neck.gcode", "../../etc/passwd", `C:\x`, "..", "a\x00b", "\x1b[2J", "x\xff", "\u202egpj.gcode", strings.Repeat("ü", 300), strings.Repeat("ü", 99) + "  00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, in string) {
		got := baseName(in)
		if strings.ContainsAny(got, "/\\\x00\x1b\n") || got == "." || got == ".." || len(got) > maxFileName || !utf8.ValidString(got) {
			t.Errorf("baseName(%q) = %q", in, got)
		}
		if again := baseName(got); again != got {
			t.Errorf("baseName is not stable: %q, then %q", got, again)
		}
	})
}
