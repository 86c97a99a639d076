package analyze

import (
	"testing"
)

func TestClaims(t *testing.T) {
	for _, c := range []struct {
		line string
		want claims
	}{
		{"; nozzle_diameter = 0.4", claims{nozzleMM: 0.4}},
		{";Nozzle size: 0.60 mm", claims{nozzleMM: 0.6}},
		{"; nozzleDiameter=0.8,0.4", claims{nozzleMM: 0.8}},
		{"; nozzle diameter = 0,0.4", claims{nozzleMM: 0.4}},
		{"(nozzle diameter 0.25)", claims{nozzleMM: 0.25}},
		{"(material: PETG)", claims{material: "PETG"}},
		{"; filament_type = PLA;PETG", claims{material: "PLA"}},
		{";MATERIAL: generic pla", claims{material: "PLA"}},
		{"; material = \"Heronite\"", claims{material: "HERONITE"}},
		{"; material = 12", claims{}},
		{"; layer_height = 0.2", claims{layerMM: 0.2}},
		{";Layer height: 0.16mm", claims{layerMM: 0.16}},
		{"; first_layer_height = 0.3", claims{}},
		{"; estimated printing time (normal mode) = 1d 2h 3m 4s", claims{timeS: 93784}},
		{";TIME:5400.5", claims{timeS: 5400.5}},
		{"; print time: 1 hour 5 minutes", claims{timeS: 3900}},
		{"; total time = 2:03:04", claims{timeS: 7384}},
		{"; estimated first layer printing time = 2m", claims{}},
		{"; filament used [mm] = 1234.5", claims{filamentMM: 1234.5}},
		{";Filament used: 2.5m", claims{filamentMM: 2500}},
		{"; total filament used [g] = 12.3", claims{}},
		{"; filament used [cm3] = 12.3", claims{}},
		{"; filament length: 812.4 mm", claims{filamentMM: 812.4}},
		{"; start_gcode = G28 ; material = ABS", claims{}},
		{"; G1 X5 : material", claims{}},
		{"; : = :", claims{}},
	} {
		a := newAnalysis(Options{})
		a.lines = nil
		a.parser.Reset([]byte(c.line))
		if more, err := a.parser.Next(); more || err != nil {
			t.Fatal(c.line, err)
		}
		a.comment()
		if a.claims != c.want {
			t.Errorf("%s: %+v, want %+v", c.line, a.claims, c.want)
		}
	}
}

func TestClaimsAllocateNothing(t *testing.T) {
	var c claims
	comments := [][]byte{[]byte("TYPE:outer wall"), []byte(" layer height = 0.2"), []byte("picture: abcd"), []byte(" some thing = other")}
	got := testing.AllocsPerRun(100, func() {
		for _, x := range comments {
			c.read(x)
		}
	})
	if got != 0 {
		t.Errorf("%g allocations", got)
	}
}

func TestClaimsThatDisagree(t *testing.T) {
	file := "; nozzle_diameter = 0.8\n; layer_height = 0.3\n; filament used [mm] = 500\n; print time = 9h\n" + warm +
		"G1 Z.2\n" + ringAt(50, 50) + "G1 Z.4\n" + ringAt(50, 50) + "G1 Z.6\n" + ringAt(50, 50)
	r := readText(t, file, Options{})
	for _, code := range []string{"nozzle-disagrees", "layer-disagrees", "filament-disagrees", "time-disagrees"} {
		if findingOf(r, code) == nil {
			t.Errorf("%s is not found", code)
		}
	}
	r = readForm(t, "picture-and-long-comments.gcode")
	for _, f := range r.Findings {
		t.Errorf("found %s: %s", f.Code, f.Text)
	}
}
