package gcode

import (
	"bytes"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// seeds are the lines of the tables and the heads of the hand-made files.
func seeds(f *testing.F) {
	for _, s := range []string{
		"g0x +0. 12 34y 7", "N3 T0*57", "N0 G90 *48", "G29.1 Z5", "M84 X Y E", "M117 Layer (3) ; x", "M862.3 P\"a;b\"",
		"G90 G21 M83", "G91 G1 Z2", "X10 F600 G1 Y5", "G1 X1 X2", "G1 X-", "%", "/G1", "#1=2", "START_PRINT BED=60", "T-1", "T?", "M0 P500 look",
		"(a (b) c)", "G1 (x", "G2 X10 Y16 I3 J4", "\xEF\xBB\xBFG28\r\nG1\rX1\n", "M117 M110", "G1 X1 ; *5", "N5 M117 a*b*12",
		"N8NNN", "NEXT_PART KEY=1", "G0000.6H" + strings.Repeat("0", 80) + " X2",
	} {
		f.Add([]byte(s))
	}
	files, _ := filepath.Glob("../testdata/gcode/*.gcode")
	for _, name := range files {
		if data, err := os.ReadFile(name); err == nil {
			f.Add(data[:min(len(data), 600)])
		}
	}
}

// FuzzCommands holds that reading ends, that what is yielded can be sent, and
// that reading what was yielded yields the same again.
func FuzzCommands(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte) {
		first, err := drainCommands(t, file)
		if err != nil {
			return
		}
		second, err := drainCommands(t, first)
		if err != nil {
			t.Fatalf("%q\nyields %q\nwhich is refused: %v", file, first, err)
		}
		// A line that had to be shortened gets its blanks back once it is short.
		plain := func(s []byte) []byte { return bytes.ReplaceAll(s, []byte(" "), nil) }
		if !bytes.Equal(plain(first), plain(second)) {
			t.Fatalf("%q\nyields %q\nwhich yields %q", file, first, second)
		}
	})
}

func drainCommands(t *testing.T, file []byte) ([]byte, error) {
	c := NewCommands(bytes.NewReader(file))
	var out []byte
	last := int64(0)
	for {
		text, line, err := c.Next()
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			if _, ok := err.(*SyntaxError); !ok {
				t.Fatalf("%T: %v", err, err)
			}
			_ = err.Error()
			return nil, err
		}
		if len(text) == 0 || len(text) > MaxSendBytes || bytes.ContainsAny(text, "\r\n\x00") || line < last || c.Offset() > int64(len(file)) {
			t.Fatalf("%q at line %d after %d", text, line, last)
		}
		last = line
		out = append(append(out, text...), '\n')
	}
}

// FuzzNumber holds that a number is read as the shortest plain way reads it.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{".45087", "+0. 12 34", "5.", "-", ".", "1e3", "--1", "123456789012345678901", "." + strings.Repeat("0", 309) + "80000000", "." + strings.Repeat("0", 286) + "80"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, s []byte) {
		v, err := ParseNumber(s)
		if err != nil {
			_ = err.Error()
			return
		}
		if v != v || v > 1e18 || v < -1e18 {
			t.Fatalf("%q is read as %v", s, v)
		}
		short := appendShortNumber(nil, bytes.ReplaceAll(bytes.ReplaceAll(s, []byte(" "), nil), []byte("\t"), nil))
		w, err := ParseNumber(short)
		// Beyond 15 digits the two ways may round to neighbours.
		if err != nil || math.Abs(w-v) > 1e-15*math.Abs(v) {
			t.Fatalf("%q is %v, shortened to %q it is %v, %v", s, v, short, w, err)
		}
	})
}
