package analyze

import (
	"bytes"
	"strings"

	"undercroft/gcode"
)

// claims are what comments declare, in any of the usual shapes: "key = value",
// "key: value" and "(key value)". A claim never decides what the geometry can
// show. The first of a kind counts.
type claims struct {
	material   string
	nozzleMM   float64
	layerMM    float64
	timeS      float64
	filamentMM float64
}

const (
	maxClaimBytes = 400
	maxKeyBytes   = 64
)

// read takes in a comment. It allocates nothing but what it keeps.
func (c *claims) read(comment []byte) {
	if len(comment) > maxClaimBytes {
		return
	}
	i := bytes.IndexAny(comment, "=:")
	if i < 3 {
		return
	}
	c.claim(comment[:i], comment[i+1:])
}

// readParens takes in what stands between parentheses: the value is the last word.
func (c *claims) readParens(comment []byte) {
	comment = bytes.TrimSpace(comment)
	if bytes.ContainsAny(comment, "=:") {
		c.read(comment)
		return
	}
	if i := bytes.LastIndexByte(comment, ' '); i > 0 && len(comment) <= maxClaimBytes {
		c.claim(comment[:i], comment[i+1:])
	}
}

func (c *claims) claim(key, value []byte) {
	var buf [maxKeyBytes]byte
	k := plainKey(buf[:0], key)
	value = bytes.Trim(value, " \t\"'[]")
	if len(k) == 0 || len(value) == 0 {
		return
	}
	has := func(word string) bool { return hasWord(k, word) }
	switch {
	case has("nozzle") && (has("diameter") || has("size") || len(k) == len("nozzle")):
		if v := claimedNumber(value); c.nozzleMM == 0 && v >= 0.1 && v <= 3 {
			c.nozzleMM = v
		}
	case has("layer") && (has("height") || has("thickness")):
		if len(k) > len("layer thickness") && !has("mm") { // of the first layer, of a raft, …
			return
		}
		if v := claimedNumber(value); c.layerMM == 0 && v >= 0.01 && v <= 3 {
			c.layerMM = v
		}
	case has("filament") || has("material"):
		c.claimMaterial(k, value)
	case has("time") && (len(k) == len("time") || has("print") || has("printing") || has("estimated") || has("build") || has("total")):
		if has("first") {
			return
		}
		if v := claimedSeconds(value); c.timeS == 0 && v > 0 {
			c.timeS = v
		}
	}
}

func (c *claims) claimMaterial(k, value []byte) {
	switch string(k) {
	case "filament", "material", "filament type", "material type", "filament material", "filament name", "material name":
		if c.material == "" {
			c.material = claimedMaterial(value)
		}
		return
	}
	if c.filamentMM > 0 || !hasWord(k, "used") && !hasWord(k, "length") && !hasWord(k, "usage") {
		return
	}
	v := claimedNumber(value)
	switch unit := claimedUnit(value); {
	case hasWord(k, "g") || hasWord(k, "cm3") || hasWord(k, "cost") || unit == "g" || unit == "cm3" || unit == "cm³":
	case hasWord(k, "m") || unit == "m":
		c.filamentMM = v * 1000
	case hasWord(k, "mm") || unit == "mm":
		c.filamentMM = v
	}
}

// plainKey writes a key in lower case with single blanks between its words, also
// where they were joined by signs or by capitals.
func plainKey(dst, key []byte) []byte {
	was := byte(' ')
	for _, b := range key {
		lower := b
		switch {
		case b >= 'A' && b <= 'Z':
			lower = b | 0x20
			if was >= 'a' && was <= 'z' && len(dst) > 0 {
				dst = append(dst, ' ')
			}
		case b >= 'a' && b <= 'z', b-'0' <= 9:
		default:
			lower = ' '
		}
		if lower != ' ' || len(dst) > 0 && dst[len(dst)-1] != ' ' {
			dst = append(dst, lower)
		}
		if len(dst) >= maxKeyBytes-1 {
			return nil
		}
		was = b
	}
	return bytes.TrimRight(dst, " ")
}

func hasWord(key []byte, word string) bool {
	for len(key) >= len(word) {
		i := bytes.IndexByte(key, ' ')
		if i < 0 {
			i = len(key)
		}
		if string(key[:i]) == word {
			return true
		}
		if i == len(key) {
			return false
		}
		key = key[i+1:]
	}
	return false
}

// claimedNumber is the first number of a value that is not zero: lists hold one
// for each tool.
func claimedNumber(value []byte) float64 {
	for i := 0; i < len(value); {
		if value[i]-'0' > 9 && value[i] != '.' {
			i++
			continue
		}
		j := i
		for j < len(value) && (value[j]-'0' <= 9 || value[j] == '.') {
			j++
		}
		if v, err := gcode.ParseNumber(value[i:j]); err == nil && v != 0 {
			return v
		}
		i = j
	}
	return 0
}

// claimedUnit is what stands behind the first number.
func claimedUnit(value []byte) string {
	i := 0
	for i < len(value) && (value[i]-'0' <= 9 || value[i] == '.' || value[i] == ' ') {
		i++
	}
	j := i
	for j < len(value) && value[j] != ' ' && value[j] != ',' && value[j] != ';' {
		j++
	}
	return string(value[i:j])
}

// claimedSeconds reads a time: "1d 2h 3m 4s", "1 hour 5 minutes", "2:03:04", or
// a number of seconds.
func claimedSeconds(value []byte) float64 {
	if bytes.IndexByte(value, ':') > 0 {
		s := 0.0
		for _, part := range bytes.Split(value, []byte(":")) {
			v, err := gcode.ParseNumber(bytes.TrimSpace(part))
			if err != nil {
				return 0
			}
			s = s*60 + v
		}
		return s
	}
	total, n, units := 0.0, 0.0, 0
	for i := 0; i < len(value); {
		switch b := value[i] | 0x20; {
		case value[i]-'0' <= 9:
			j := i
			for j < len(value) && (value[j]-'0' <= 9 || value[j] == '.') {
				j++
			}
			v, err := gcode.ParseNumber(value[i:j])
			if err != nil {
				return 0
			}
			n, i = v, j
			continue
		case b >= 'a' && b <= 'z':
			switch b {
			case 'd':
				n *= 86400
			case 'h':
				n *= 3600
			case 'm':
				n *= 60
			case 's':
			default:
				return 0
			}
			total += n
			n = 0
			units++
			for i < len(value) && value[i]|0x20 >= 'a' && value[i]|0x20 <= 'z' {
				i++
			}
			continue
		}
		i++
	}
	if units == 0 {
		return n
	}
	return total
}

// claimedMaterial is the first word of a value that names a material known here,
// else its first word, in upper case.
func claimedMaterial(value []byte) string {
	if i := bytes.IndexAny(value, ";,"); i >= 0 {
		value = value[:i]
	}
	first := ""
	for _, word := range strings.Fields(strings.ToUpper(string(value))) {
		word = strings.Trim(word, `"'()[]`)
		if word == "" || len(word) > 24 || word[0] < 'A' || word[0] > 'Z' {
			continue
		}
		if DensityGCM3(word) > 0 {
			return word
		}
		if first == "" {
			first = word
		}
	}
	return first
}
