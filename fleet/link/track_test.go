package link

import "testing"

// A move under 6 steps is merged into the next one, and it is the sum that is
// compared: short moves there and back may make one block or none. (wire page,
// 'Motion, as the firmware does it')
func TestMergedMovesAreNoSureBlocks(t *testing.T) {
	tr := newTracker()
	tr.steps = [4]float64{80, 80, 400, 500}
	tr.proved = [4]bool{true, true, true, false}
	for i, c := range []struct {
		text  string
		block bool
	}{
		{"G91", false},
		{"M83", false},
		{"G1 X1", true},
		{"G1 X0.05", false},     // 4 steps wait
		{"G1 X-0.1", false},     // 8 back: 4 may be left
		{"G1 X0.1 Y0.1", true},  // 8 in Y, where nothing waits
		{"G1 X0.1", true},       // nothing waits any more
		{"G1 Y0.02", false},     // 1.6 wait
		{"G1 Y0.11", true},      // 8.8 less 1.6
		{"G1 Y0.02", false},     //
		{"G1 Y0.1", false},      // 8 less 1.6: it may be under 6 after rounding
		{"G1 Y-0.18", true},     // 14.4 less 7: what waits is always under a block
		{"G2 X1 Y1 I0.5", true}, //
		{"G1 X0.1", false},      // the arc's last piece may wait
		{"G1 X2", true},
	} {
		info := classify([]byte(c.text))
		tr.apply([]byte(c.text), &info)
		if info.block != c.block {
			t.Errorf("%d %s: block %v, want %v", i, c.text, info.block, c.block)
		}
	}
}

// A settings line that lost a point makes no block of a short move; what a report
// with steps agrees with counts whole.
func TestStepsOfDamagedSettings(t *testing.T) {
	var e engine
	e.track = newTracker()
	e.learnSteps([]byte("echo:  M92 X80.00 Y8000 Z400.00 E500.00"))
	block := func(text string) bool {
		info := classify([]byte(text))
		e.track.apply([]byte(text), &info)
		return info.block
	}
	block("G91")
	e.proveSteps([]byte("X:100.00 Y:100.00 Z:0.20 E:0.00 Count X:8000 Y:8000 Z:80"), [4]float64{100, 100, 0.2, 0})
	if block("G1 Y0.1") {
		t.Error("4 steps at 40 a millimetre are taken for a block")
	}
	if !block("G1 X0.1") {
		t.Error("8 steps of an axis that agrees are taken for less than a block")
	}
	e.learnSteps([]byte("M92 X800.0"))
	if block("G1 X0.1") {
		t.Error("new settings count before a report agrees with them")
	}
}
