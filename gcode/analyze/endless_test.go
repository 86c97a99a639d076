package analyze

import (
	"bytes"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// repeated gives a text again and again up to a size, without holding it.
type repeated struct {
	text string
	left int64
	at   int
}

func (r *repeated) Read(p []byte) (int, error) {
	if r.left == 0 {
		return 0, io.EOF
	}
	n := 0
	for n < len(p) && r.left > 0 {
		k := copy(p[n:min(int64(len(p)), int64(n)+r.left)], r.text[r.at:])
		r.at = (r.at + k) % len(r.text)
		r.left -= int64(k)
		n += k
	}
	return n, nil
}

// noise is every byte at random.
type noise struct{ rand *rand.ChaCha8 }

func (r noise) Read(p []byte) (int, error) { return r.rand.Read(p) }

// TestMemoryStaysSmall holds that what a file is made of costs no memory.
func TestMemoryStaysSmall(t *testing.T) {
	long := int64(2 << 30)
	if testing.Short() {
		long = 64 << 20
	}
	for _, c := range []struct {
		name string
		r    io.Reader
		size int64
		code string // of a finding
	}{
		{"one line of commands", &repeated{text: strings.Repeat("G1 X1 Y2 ", 4096), left: long}, long, "several-commands"},
		{"one comment", &repeated{text: strings.Repeat("; G1 X1 Y2 ", 4096), left: 64 << 20}, 64 << 20, "empty"},
		{"binary", io.LimitReader(noise{rand.NewChaCha8([32]byte{1})}, 1<<20), 1 << 20, "not-gcode"},
		{"binary in one line", &repeated{text: "\x00\xff\x80G1", left: 32 << 20}, 32 << 20, "not-gcode"},
		{"an end in mid-number", &repeated{text: "G1 X1.25 Y2.5 E0.125\n", left: 2<<20 + 7}, 2<<20 + 7, "no-heating"},
		{"line ends alone", &repeated{text: "\r\n\n\r", left: 1 << 20}, 1 << 20, "empty"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := Read(c.r, Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		runtime.ReadMemStats(&after)
		if r.Bytes != c.size || !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Code == c.code }) {
			t.Errorf("%s: %d bytes of %d, %+v", c.name, r.Bytes, c.size, r.Findings)
		}
		// All that was ever taken, given back or not. Each line that cannot be read
		// makes an error of its own, which is soon forgotten: binary has many.
		if got := after.TotalAlloc - before.TotalAlloc; got > 8<<20 && c.name != "binary" {
			t.Errorf("%s: %d bytes of memory", c.name, got)
		}
		if after.HeapInuse > 64<<20 {
			t.Errorf("%s: %d bytes in use", c.name, after.HeapInuse)
		}
	}
}

// TestCoresAgree holds that more cores give the same result to the last bit.
func TestCoresAgree(t *testing.T) {
	files := map[string][]byte{"ordinary moves": ordinaryMoves(1 << 21)}
	names, _ := filepath.Glob(forms + "/*.gcode")
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		files[filepath.Base(name)] = data
	}
	on := func(cores int, file []byte) *Result {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
		r, err := Read(bytes.NewReader(file), Options{Machine: heronMachine(), Views: true})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for name, file := range files {
		if one, two := on(1, file), on(2, file); !reflect.DeepEqual(one, two) {
			t.Errorf("%s: %+v on one core, %+v on two", name, one, two)
		}
	}
}
