// Package judge says of a streamed file whether the firmware executed it: every
// command once and in order. It reads the file by itself and is told what was
// executed; it shares no code with the link that it judges.
package judge

import (
	"bytes"
	"fmt"
	"strconv"
)

// File is a G-code file as the judge reads it.
type File struct {
	commands [][]byte // in canonical form: upper case, no blanks
	layers   []layer
}

// layer is where a layer ends: once the command with that index is executed,
// everything up to topMM above the plate is down.
type layer struct {
	last  int
	topMM float64
}

// Commands is how many commands the file holds.
func (f *File) Commands() int { return len(f.commands) }

// ReadFile takes a file of one command a line. Comments from ';' to the end of
// the line and empty lines do not count.
func ReadFile(text []byte) (*File, error) {
	f := &File{}
	n := bytes.Count(text, []byte{'\n'}) + 1
	f.commands = make([][]byte, 0, n)
	store := make([]byte, 0, len(text))
	h := heights{unitMM: 1}
	for number := 1; len(text) > 0; number++ {
		line := text
		if i := bytes.IndexByte(text, '\n'); i >= 0 {
			line, text = text[:i], text[i+1:]
		} else {
			text = nil
		}
		if i := bytes.IndexByte(line, ';'); i >= 0 {
			line = line[:i]
		}
		from := len(store)
		store = canonical(store, line)
		c := store[from:len(store):len(store)]
		if len(c) == 0 {
			continue
		}
		if err := h.follow(f, c); err != nil {
			return nil, fmt.Errorf("line %d: %w", number, err)
		}
		f.commands = append(f.commands, c)
	}
	h.close(f)
	return f, nil
}

// HeightMM is the completed height when the first n commands are executed: the
// top of the highest layer whose last extrusion is among them.
func (f *File) HeightMM(n int64) float64 {
	top := 0.0
	for _, l := range f.layers {
		if int64(l.last) >= n {
			break
		}
		top = l.topMM
	}
	return top
}

// canonical appends a command in upper case without blanks. The text of a
// message is kept as it is.
func canonical(dst, line []byte) []byte {
	line = bytes.TrimSpace(line)
	if message(line) {
		return append(dst, line...)
	}
	for _, c := range line {
		switch {
		case c == ' ' || c == '\t' || c == '\r':
		case c >= 'a' && c <= 'z':
			dst = append(dst, c-'a'+'A')
		default:
			dst = append(dst, c)
		}
	}
	return dst
}

func message(line []byte) bool {
	return len(line) > 4 && (line[0] == 'M') && (string(line[1:4]) == "117" || string(line[1:4]) == "118")
}

// heights follows Z and E to find where layers end.
type heights struct {
	zMM, eMM   float64
	unitMM     float64
	relXYZ     bool
	relE       bool
	layerMM    float64
	lastLaid   int
	laidInside bool
}

func (h *heights) follow(f *File, c []byte) error {
	head := c
	for i := 1; i < len(c); i++ {
		if c[i] < '0' || c[i] > '9' {
			head = c[:i]
			break
		}
	}
	switch string(head) {
	case "G0", "G1", "G2", "G3":
		return h.move(f, c, len(head))
	case "G90":
		h.relXYZ, h.relE = false, false
	case "G91":
		h.relXYZ, h.relE = true, true
	case "M82":
		h.relE = false
	case "M83":
		h.relE = true
	case "G92":
		if v, ok, err := value(c, 'E'); err != nil {
			return err
		} else if ok {
			h.eMM = v
		}
		if v, ok, err := value(c, 'Z'); err != nil {
			return err
		} else if ok {
			h.zMM = v
		}
	case "G20":
		return fmt.Errorf("inches: the judge reads millimetres only")
	}
	return nil
}

func (h *heights) move(f *File, c []byte, from int) error {
	z, hasZ, err := value(c[from:], 'Z')
	if err != nil {
		return err
	}
	e, hasE, err := value(c[from:], 'E')
	if err != nil {
		return err
	}
	if hasZ {
		if h.relXYZ {
			z += h.zMM
		}
		h.zMM = z
	}
	if !hasE {
		return nil
	}
	if h.relE {
		e += h.eMM
	}
	lays := e > h.eMM && (bytes.IndexByte(c, 'X') > 0 || bytes.IndexByte(c, 'Y') > 0)
	h.eMM = e
	if !lays {
		return nil
	}
	if h.laidInside && h.zMM > h.layerMM+1e-6 {
		h.close(f)
	}
	h.layerMM, h.lastLaid, h.laidInside = h.zMM, len(f.commands), true
	return nil
}

func (h *heights) close(f *File) {
	if h.laidInside {
		f.layers = append(f.layers, layer{last: h.lastLaid, topMM: h.layerMM})
	}
}

// value reads the number behind a letter.
func value(c []byte, letter byte) (v float64, ok bool, err error) {
	i := bytes.IndexByte(c, letter)
	if i < 0 {
		return 0, false, nil
	}
	j := i + 1
	for j < len(c) && (c[j] == '-' || c[j] == '+' || c[j] == '.' || c[j] >= '0' && c[j] <= '9') {
		j++
	}
	v, err = strconv.ParseFloat(string(c[i+1:j]), 64)
	return v, err == nil, err
}
