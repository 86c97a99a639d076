package analyze

import "strings"

// DensityGCM3 is the density of a material in g/cm³ by its usual name, 0 where
// it is not known. Common practice, no source; a spool's own figure is better.
func DensityGCM3(material string) float64 {
	name := strings.ToUpper(material)
	for _, d := range densities {
		if name == d.name {
			return d.gcm3
		}
	}
	// names with additions: PLA+, PETG-CF
	for _, d := range densities {
		if rest, ok := strings.CutPrefix(name, d.name); ok && (rest[0] < 'A' || rest[0] > 'Z') {
			return d.gcm3
		}
	}
	return 0
}

var densities = [...]struct {
	name string
	gcm3 float64
}{
	{"PLA", 1.24}, {"PETG", 1.27}, {"ABS", 1.04}, {"NYLON", 1.15}, {"PA", 1.15},
	{"ASA", 1.07}, {"TPU", 1.21}, {"PC", 1.20},
}
