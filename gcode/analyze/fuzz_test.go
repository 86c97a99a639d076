package analyze

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"undercroft/gcode"
)

// unsendable are the codes of findings about lines that cannot be sent.
var unsendable = []string{"not-understood", "several-commands", "checksum", "not-sendable", "not-gcode"}

// FuzzRead holds that any bytes are read to their end, without a panic, and that
// every number found is one.
func FuzzRead(f *testing.F) {
	files, _ := filepath.Glob(forms + "/*.gcode")
	for _, name := range files {
		if data, err := os.ReadFile(name); err == nil {
			f.Add(data[:min(len(data), 2500)])
		}
	}
	for _, s := range []string{
		"G2 X1e9 I1", "G91\nG3 I1000000 P1000000", "G20\nG1 X999999999999999999", "M204 S0\nG1 X1", "M203 X0 Y0\nG1 X1 F0", "M92 X0 E0",
		"T63\nT64\nM104 T1e9 S1", "M200 D0.0000001\nG1 E1 X1", "M221 S1000000000000000000\nG1 X1 E1000000000000000000", "M220 S0\nG1 X5",
		"G28\nM83\nM109 S999999999999\nG1 Z1000000000 X1 E1\nG1 X2 E1\n", "M140 S-1\nM190 R0\nM116", "G4 P1000000000000000000", "G92 Z-1000000000\nG1 X1 Z5 E1",
		"M205 J0\nM205 X0 Y0 Z0 E0\nG1 X1 Y1\nG1 X-1", "; layer_height = \n; nozzle diameter : \n;=\n;:", "G18\nG2 X1 Z1 R1\nG19\nG2 Y2 Z2 R-5", "M1100",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		r, err := Read(bytes.NewReader(file), Options{Machine: heronMachine()})
		if err != nil {
			t.Fatal(err)
		}
		if r.Bytes != int64(len(file)) {
			t.Fatalf("%d bytes of %d", r.Bytes, len(file))
		}
		// What is refused here is what cannot be sent, and nothing else.
		refused := slices.ContainsFunc(r.Findings, func(f Finding) bool { return slices.Contains(unsendable, f.Code) })
		commands := gcode.NewCommands(bytes.NewReader(file))
		var sendErr error
		for sendErr == nil {
			_, _, sendErr = commands.Next()
		}
		if sent := errors.Is(sendErr, io.EOF); sent == refused {
			t.Fatalf("refused %v, sending ends with %v; findings %+v", refused, sendErr, r.Findings)
		}
		number := func(what string, v ...float64) {
			for _, x := range v {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Fatalf("%s is %v", what, x)
				}
			}
		}
		number("time", r.TimeS, r.MotionS, r.HeatS)
		if r.MotionS < 0 || r.HeatS < 0 {
			t.Fatalf("time runs backwards: %g %g", r.MotionS, r.HeatS)
		}
		number("height", r.HeightMM, r.FirstLayerMM, r.LayerMM)
		number("bead", r.Bead.TypicalMM, r.Bead.NarrowestMM, r.Bead.WidestMM)
		number("box", r.Extruded.Min[:]...)
		number("box", r.Extruded.Max[:]...)
		number("reach", r.Reach.Min[:]...)
		number("reach", r.Reach.Max[:]...)
		for _, x := range r.Tools {
			number("filament", x.FilamentMM, x.VolumeMM3, x.MassG)
		}
		for _, o := range r.Outline {
			number("outline", o[:]...)
		}
		last := int64(0)
		for _, l := range r.Layers {
			number("layer", l.TopMM, l.ThicknessMM, l.StartS, l.EndS, l.FilamentMM, l.Box.Min[0], l.Box.Max[0])
			if l.Line < last || l.EndLine < l.Line || l.EndLine > r.Lines || l.EndOffset > r.Bytes {
				t.Fatalf("layer %+v after line %d", l, last)
			}
			last = l.EndLine
		}
		if len(r.Findings) > 200 {
			t.Fatalf("%d findings", len(r.Findings))
		}
	})
}
