package reprint

import "testing"

func TestChoose(t *testing.T) {
	h := 3600.0
	for _, c := range []struct {
		name string
		in   Case
		want string
	}{
		{"a leg broken at half its height", Case{WholeS: 20 * h, WholeG: 400, RemainderS: 9 * h, RemainderG: 190, GoodMM: 110, HeightMM: 200, NoInPlace: "the plate is cold"}, Remainder},
		{"hardly begun", Case{WholeS: 20 * h, RemainderS: 19.7 * h, GoodMM: 2, HeightMM: 200, NoInPlace: "no"}, Whole},
		{"a small piece", Case{WholeS: 0.5 * h, RemainderS: 0.1 * h, GoodMM: 30, HeightMM: 40, NoInPlace: "no"}, Whole},
		{"a fifth is good", Case{WholeS: 10 * h, RemainderS: 8 * h, GoodMM: 40, HeightMM: 200, NoInPlace: "no"}, Whole},
		{"cannot be cut", Case{WholeS: 20 * h, NoRemainder: "it is a spiral", GoodMM: 100, HeightMM: 200, NoInPlace: "no"}, Whole},
		{"another way is much shorter", Case{WholeS: 20 * h, RemainderS: 12 * h, OtherS: 4 * h, GoodMM: 80, HeightMM: 200, NoInPlace: "no"}, OtherWay},
	} {
		ways, take, why := Choose(c.in)
		if take != c.want || why == "" || len(ways) < 3 {
			t.Errorf("%s: %s (%s), want %s", c.name, take, why, c.want)
		}
		for _, w := range ways {
			if w.Text == "" || w.Risk < 0 || w.Risk > 1 {
				t.Errorf("%s: %+v", c.name, w)
			}
		}
	}
	ways, _, _ := Choose(Case{WholeS: 10 * h, WholeG: 500, RemainderS: 4 * h, RemainderG: 200, GoodMM: 90, HeightMM: 150, Rates: Rates{PerKg: 20, PerHour: 0.1, PerHandsHour: 12}})
	// 0.5 kg × 20 + 10 h × 0.1 + 5 min × 12 / h, and 0.2 × 20 + 4 × 0.1 + 30 min × 12 / h
	if ways[0].Money != 12 || ways[1].Money != 10.4 {
		t.Errorf("money %g and %g, want 12 and 10.4", ways[0].Money, ways[1].Money)
	}
}
