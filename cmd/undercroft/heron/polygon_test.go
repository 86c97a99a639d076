package heron

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestInsetSquare(t *testing.T) {
	var o, in outline
	polygon(&o, false, point{-10, -10}, point{10, -10}, point{10, 10}, point{-10, 10})
	polygon(&o, true, point{-4, -4}, point{-4, 4}, point{4, 4}, point{4, -4})
	o.inset(&in, 1)
	want := [][]point{{{-9, -9}, {9, -9}, {9, 9}, {-9, 9}}, {{-5, -5}, {-5, 5}, {5, 5}, {5, -5}}}
	for i, c := range in.contours {
		for j, p := range c.pts {
			if distance(p, want[i][j]) > 1e-9 {
				t.Errorf("contour %d: %v, wanted %v", i, c.pts, want[i])
				break
			}
		}
	}
	in.reset()
	o.inset(&in, 11)
	if in.has(0) && !in.contours[0].hole {
		t.Errorf("a square of 20 mm has no room for an inset of 11: %v", in.contours)
	}
}

// TestHatchArea: lines times spacing make the area, to within the spacing.
func TestHatchArea(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sides := rapid.IntRange(3, 60).Draw(t, "sides")
		r := rapid.Float64Range(10, 100).Draw(t, "r")
		angle := rapid.Float64Range(0, 2*math.Pi).Draw(t, "angle")
		var o outline
		k := column{heightMM: 1, sides: sides, rx: profile{r}, ry: profile{r * 0.7}}
		k.ring(&o, point{}, r, r*0.7, 0, false)
		k.ring(&o, point{}, r*0.4, r*0.3, 0, true)
		want := signedArea(o.contours[0].pts) + signedArea(o.contours[1].pts)
		var h hatch
		h.cut(&o, -1, angle, 0.2)
		var got float64
		for _, row := range h.rows {
			if len(row)%2 != 0 || !slices.IsSorted(row) {
				t.Fatalf("a row crosses %d times", len(row))
			}
			for i := 0; i < len(row); i += 2 {
				got += (row[i+1] - row[i]) * h.spacing
			}
		}
		if math.Abs(got-want) > 0.02*want {
			t.Fatalf("area %v by lines, %v by corners", got, want)
		}
	})
}

// TestIntervals compares the list operations with the same on single points.
func TestIntervals(t *testing.T) {
	list := rapid.Custom(func(t *rapid.T) []float64 {
		n := rapid.IntRange(0, 6).Draw(t, "n")
		at, out := 0, []float64{}
		for range 2 * n {
			at += rapid.IntRange(1, 5).Draw(t, "step")
			out = append(out, float64(at))
		}
		return out
	})
	in := func(l []float64, x float64) bool {
		for i := 0; i+1 < len(l); i += 2 {
			if l[i] < x && x < l[i+1] {
				return true
			}
		}
		return false
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := list.Draw(t, "a"), list.Draw(t, "b")
		both, either, less := intersect(nil, a, b), union(nil, a, b, 0), subtract(nil, a, b, 0)
		for x := 0.5; x < 70; x++ {
			if in(both, x) != (in(a, x) && in(b, x)) || in(either, x) != (in(a, x) || in(b, x)) || in(less, x) != (in(a, x) && !in(b, x)) {
				t.Fatalf("at %v: %v and %v give both %v, either %v, less %v", x, a, b, both, either, less)
			}
		}
	})
}

func TestProfile(t *testing.T) {
	p := profile{10, 20, 15}
	for _, c := range []struct{ t, want float64 }{{0, 10}, {0.5, 20}, {1, 15}, {-1, 10}, {2, 15}} {
		if got := p.at(c.t); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("at %v: %v, wanted %v", c.t, got, c.want)
		}
	}
	if v := (profile{7}).at(0.3); v != 7 {
		t.Errorf("a single value gives %v", v)
	}
}
