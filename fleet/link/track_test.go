package link

import "testing"

// A move under 6 steps is merged into the next one, and it is the sum that is
// compared: short moves there and back may make one block or none. (wire page,
// 'Motion, as the firmware does it')
func TestMergedMovesAreNoSureBlocks(t *testing.T) {
	tr := newTracker()
	tr.steps = [4]float64{80, 80, 400, 500}
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
