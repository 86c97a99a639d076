package analyze

import (
	"bytes"
	"strconv"
	"strings"
)

// claims are what comments declare. A claim never decides anything that the
// geometry can show.
type claims struct {
	material string
	nozzleMM float64
}

const maxClaimBytes = 400

// read looks for a "key = value" or "key: value" in a comment.
func (c *claims) read(comment []byte) {
	if len(comment) > maxClaimBytes {
		return
	}
	i := bytes.IndexAny(comment, "=:")
	if i < 4 {
		return
	}
	c.claim(string(comment[:i]), string(comment[i+1:]))
}

func (c *claims) claim(key, value string) {
	key = strings.ToLower(strings.NewReplacer("_", " ", "-", " ").Replace(strings.TrimSpace(key)))
	value = strings.TrimSpace(value)
	switch {
	case c.nozzleMM == 0 && strings.Contains(key, "nozzle") && (strings.Contains(key, "diameter") || strings.Contains(key, "size")):
		if v := firstNumber(value); v >= 0.1 && v <= 3 {
			c.nozzleMM = v
		}
	case c.material == "" && (key == "filament type" || key == "material" || key == "filament material" || key == "material type"):
		if i := strings.IndexAny(value, ";,"); i >= 0 {
			value = value[:i]
		}
		c.material = strings.ToUpper(strings.Trim(value, `"' `))
	}
}

func firstNumber(s string) float64 {
	i := 0
	for i < len(s) && (s[i] == '.' || s[i]-'0' <= 9) {
		i++
	}
	v, _ := strconv.ParseFloat(s[:i], 64)
	return v
}
