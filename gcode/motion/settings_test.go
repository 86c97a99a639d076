package motion

import "testing"

// The first case is the settings report of a running firmware (a recording in
// testdata/link, boot); its junction deviation is the firmware's default of
// 0.013 mm, which it prints with two decimals.
func TestFromSettings(t *testing.T) {
	cases := []struct {
		name  string
		lines []string
		ok    bool
		want  func(*Limits)
	}{
		{"nothing", []string{"echo:; Linear Units:", "echo:  G21 ; (mm)", "M301 P22.20"}, false, func(*Limits) {}},
		{"a recorded report", []string{
			"echo:; Steps per unit:",
			"echo:  M92 X80.00 Y80.00 Z400.00 E500.00",
			"echo:  M203 X300.00 Y300.00 Z5.00 E25.00",
			"echo:  M201 X3000.00 Y3000.00 Z100.00 E10000.00",
			"echo:  M204 P1200.00 R2000.00 T1500.00",
			"echo:  M205 B20000.00 S0.00 T0.00 J0.01",
		}, true, func(l *Limits) {
			l.AccelPrintMMs2, l.AccelRetractMMs2, l.AccelTravelMMs2 = 1200, 2000, 1500
		}},
		{"per-axis jerk", []string{"M205 S1.00 T2.00 B15000 X8.00 Y8.00 Z0.40 E5.00"}, true, func(l *Limits) {
			l.JunctionDeviationMM, l.JerkMMs = 0, [4]float64{8, 8, 0.4, 5}
			l.MinFeedMMs, l.MinTravelFeedMMs, l.MinSegmentMS = 1, 2, 15
		}},
		{"one acceleration for printing and travel", []string{"M204 S800 R1500"}, true, func(l *Limits) {
			l.AccelPrintMMs2, l.AccelTravelMMs2, l.AccelRetractMMs2 = 800, 800, 1500
		}},
		{"torn and silly values are passed over", []string{"M203 Xabc Y-5 Z", "M201 X1e99 Y900"}, true, func(l *Limits) {
			l.MaxAccelMMs2[Y] = 900
		}},
	}
	for _, c := range cases {
		got, ok := FromSettings(c.lines)
		want := Default()
		c.want(&want)
		if ok != c.ok || got != want {
			t.Errorf("%s: ok %v\n got %+v\nwant %+v", c.name, ok, got, want)
		}
	}
}
