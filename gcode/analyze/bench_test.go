package analyze

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"testing"
)

// ordinaryMoves is about n bytes of what a slicer writes: walls as wobbly loops
// of short segments, infill in long lines, travel with retraction, layers.
func ordinaryMoves(n int) []byte {
	r := rand.New(rand.NewPCG(7, 7))
	var b bytes.Buffer
	b.WriteString("M140 S60\nM109 S210\nG28\nG90\nM83\nG92 E0\n")
	const perMM = 0.0332
	x, y, z := 100.0, 100.0, 0.2
	line := func(x2, y2 float64) {
		fmt.Fprintf(&b, "G1 X%.3f Y%.3f E%.5f\n", x2, y2, perMM*math.Hypot(x2-x, y2-y))
		x, y = x2, y2
	}
	travel := func(x2, y2 float64) {
		fmt.Fprintf(&b, "G1 E-0.80000 F2100\nG0 X%.3f Y%.3f F9000\nG1 E0.80000 F2100\nG1 F1800\n", x2, y2)
		x, y = x2, y2
	}
	for b.Len() < n {
		fmt.Fprintf(&b, "G1 Z%.2f F600\n", z)
		for range 12 {
			cx, cy, radius := 60+80*r.Float64(), 60+80*r.Float64(), 5+30*r.Float64()
			for loop := range 2 {
				rl := radius - 0.45*float64(loop)
				travel(cx+rl, cy)
				segments := int(rl * 8)
				for k := 1; k <= segments; k++ {
					sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(segments))
					w := rl + 0.3*math.Sin(float64(k)*0.4) + 0.01*r.Float64()
					line(cx+w*cos, cy+w*sin)
				}
			}
			for k := 0.0; k < radius; k += 0.9 {
				half := math.Sqrt(radius*radius - k*k)
				line(cx-half, cy+k)
				line(cx+half, cy+k)
			}
		}
		z += 0.2
	}
	return b.Bytes()
}

func BenchmarkRead(b *testing.B) {
	file := ordinaryMoves(16 << 20)
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Read(onlyReader{bytes.NewReader(file)}, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// onlyReader hides the other methods of a reader, as a file's would be used.
type onlyReader struct{ io.Reader }

// TestNoAllocationsPerLine holds that a longer file costs no more memory than
// its layers take.
func TestNoAllocationsPerLine(t *testing.T) {
	short, long := ordinaryMoves(1<<19), ordinaryMoves(1<<21)
	count := func(file []byte) float64 {
		return testing.AllocsPerRun(1, func() {
			if _, err := Read(bytes.NewReader(file), Options{}); err != nil {
				t.Fatal(err)
			}
		})
	}
	if a, b := count(short), count(long); b > a+20 {
		t.Errorf("%g allocations in 0.5 MB, %g in 2 MB", a, b)
	}
}
