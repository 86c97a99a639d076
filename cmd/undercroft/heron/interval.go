package heron

import "slices"

// Interval lists are sorted pairs: from 0 to 1, from 2 to 3, …

// subtract appends a without b to dst; pieces shorter than least are dropped.
func subtract(dst, a, b []float64, least float64) []float64 {
	for i := 0; i+1 < len(a); i += 2 {
		from, to := a[i], a[i+1]
		for j := 0; j+1 < len(b) && from < to; j += 2 {
			if b[j+1] <= from || b[j] >= to {
				continue
			}
			if b[j]-from >= least {
				dst = append(dst, from, b[j])
			}
			from = max(from, b[j+1])
		}
		if to-from >= least {
			dst = append(dst, from, to)
		}
	}
	return dst
}

// union appends a and b, merged, to dst; gaps of up to join are closed.
func union(dst, a, b []float64, join float64) []float64 {
	i, j := 0, 0
	for i+1 < len(a) || j+1 < len(b) {
		var from, to float64
		if j+1 >= len(b) || (i+1 < len(a) && a[i] <= b[j]) {
			from, to = a[i], a[i+1]
			i += 2
		} else {
			from, to = b[j], b[j+1]
			j += 2
		}
		if n := len(dst); n > 0 && from <= dst[n-1]+join {
			dst[n-1] = max(dst[n-1], to)
		} else {
			dst = append(dst, from, to)
		}
	}
	return dst
}

// intersect appends what lies in both a and b to dst.
func intersect(dst, a, b []float64) []float64 {
	for i, j := 0, 0; i+1 < len(a) && j+1 < len(b); {
		from, to := max(a[i], b[j]), min(a[i+1], b[j+1])
		if from < to {
			dst = append(dst, from, to)
		}
		if a[i+1] < b[j+1] {
			i += 2
		} else {
			j += 2
		}
	}
	return dst
}

// copyOf returns a list of its own with the same values, nil for an empty one.
func copyOf(a []float64) []float64 {
	if len(a) == 0 {
		return nil
	}
	return slices.Clone(a)
}
