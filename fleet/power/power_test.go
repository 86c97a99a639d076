package power

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestLimit(t *testing.T) {
	cases := []struct {
		c      Circuit
		want   float64
		source string
	}{
		{Circuit{Volts: 120, BreakerA: 15, Share: 0.8}, 1440, "NEC Art. 100, 210.20(A): a breaker of at least 125 % of a continuous load (at second hand)"},
		{Circuit{Volts: 120, BreakerA: 20, Share: 0.8}, 1920, "the same"},
		{Circuit{Volts: 120, BreakerA: 20}, 1920, "the same, by the shipped share"},
		{Circuit{Volts: 230, BreakerA: 16, Share: 0.8}, 2944, "arithmetic"},
		{Circuit{Volts: 230, BreakerA: 13, Share: 1}, 2990, "arithmetic"},
		{Circuit{Volts: 230, BreakerA: 16, Share: 1}, 3680, "arithmetic"},
		{Circuit{Volts: 230, BreakerA: 16, Share: 0.8, StandingW: 44}, 2900, "arithmetic"},
	}
	for _, c := range cases {
		if got := c.c.LimitW(); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%+v: limit %g W, want %g (%s)", c.c, got, c.want, c.source)
		}
	}
	// NEC 210.20(A), at second hand: 16 A of continuous load want a 20 A breaker.
	if c := (Circuit{Volts: 120, BreakerA: 20}); c.LimitW() < 16*120 {
		t.Errorf("20 A carry %g W, 16 A at 120 V are 1920 W", c.LimitW())
	}
}

// A 300 mm bed at 65 °C took 279 W at its peak and 189.5 W in the mean of an
// hour by a plug-in meter (common practice, no source). The sums are arithmetic.
func TestBedsOnOneCircuit(t *testing.T) {
	c := Circuit{Name: "north", Volts: 120, BreakerA: 15}
	l := Load{HeatingW: 279, SteadyW: 190}
	heatingAndHot := func(heating, hot int) []Lease {
		var held []Lease
		for i := range heating {
			held = append(held, Lease{Printer: fmt.Sprint("heating", i), W: l.HeatingW})
		}
		for i := range hot {
			held = append(held, Lease{Printer: fmt.Sprint("hot", i), W: l.SteadyW, Hot: true})
		}
		return held
	}
	cases := []struct {
		heating, hot int // already there, before one more heats up
		ok           bool
		sumW         float64 // with the one that asks
	}{
		{4, 0, true, 1395},
		{5, 0, false, 1674},
		{0, 6, true, 1419},
		{0, 7, false, 1609},
	}
	for _, k := range cases {
		held := heatingAndHot(k.heating, k.hot)
		a := CanHeat(c, held, "Merel", l)
		if got := a.LeasedW + a.WantsW; a.OK != k.ok || got != k.sumW {
			t.Errorf("%d heating, %d hot, one more: ok %v at %g W, want %v at %g W", k.heating, k.hot, a.OK, got, k.ok, k.sumW)
		}
	}
	// Seven beds that all draw their peak at once pass the limit although their
	// steady leases with one heat-up did not: the text must not promise safety.
	if 7*l.HeatingW != 1953 || 7*l.HeatingW <= c.LimitW() {
		t.Error("seven peaks are 1953 W, above 1440 W")
	}
}

func TestAnswers(t *testing.T) {
	c := Circuit{Name: "north", Volts: 230, BreakerA: 10, Share: 0.8, StandingW: 40} // 1800 W
	cases := []struct {
		name  string
		held  []Lease
		load  Load
		ok    bool
		never bool
		text  string
	}{
		{"idle", nil, Load{350, 150}, true, false, "heating takes 350 W of the 1800 W left on circuit north"},
		{"exactly full", []Lease{{"Curlew", 1450, false}}, Load{350, 150}, true, false, "heating takes 350 W of the 350 W left on circuit north"},
		{"one watt short", []Lease{{"Curlew", 1451, false}}, Load{350, 150}, false, false, "heating takes 350 W, and circuit north has 349 of 1800 W left"},
		{"own lease is exchanged", []Lease{{"Curlew", 1450, false}, {"Bittern", 150, true}}, Load{350, 150}, true, false, "heating takes 350 W of the 350 W left on circuit north"},
		{"never", nil, Load{1900, 150}, false, true, "heating takes 1900 W, and circuit north may carry 1800 W for its printers in all: move Bittern to a larger circuit, or correct the figures"},
		{"over after a change", []Lease{{"Curlew", 1000, true}, {"Dunlin", 900, true}}, Load{350, 150}, false, false, "circuit north is over its limit: 1900 W are promised, 1800 W are the limit; nothing new is started on it"},
		{"steady above heating", nil, Load{100, 150}, true, false, "heating takes 150 W of the 1800 W left on circuit north"},
		{"not a number", nil, Load{math.NaN(), 1}, false, true, "the draw of Bittern is not a number of watts; correct its configuration"},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			a := CanHeat(c, k.held, "Bittern", k.load)
			if a.OK != k.ok || a.Never != k.never || a.Text != k.text {
				t.Errorf("got %+v\nwant ok %v never %v %q", a, k.ok, k.never, k.text)
			}
		})
	}
}

func TestCheck(t *testing.T) {
	good := Circuit{Name: "north", Volts: 230, BreakerA: 16, Share: 0.8}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for _, change := range []struct {
		do   func(*Circuit)
		want string
	}{
		{func(c *Circuit) { c.Volts = 0 }, "volts"},
		{func(c *Circuit) { c.BreakerA = math.NaN() }, "breaker amperes"},
		{func(c *Circuit) { c.Share = 1.2 }, "continuous share"},
		{func(c *Circuit) { c.Share = -0.1 }, "continuous share"},
		{func(c *Circuit) { c.StandingW = -1 }, "standing watts"},
		{func(c *Circuit) { c.StandingW = 2944 }, "uses up all of 2944 W"},
	} {
		c := good
		change.do(&c)
		if err := c.Check(); err == nil || !strings.Contains(err.Error(), change.want) {
			t.Errorf("%+v: %v, want a word on %q", c, err, change.want)
		}
	}
}

func TestNext(t *testing.T) {
	t0 := time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC)
	c := Circuit{Name: "north", Volts: 230, BreakerA: 10, Share: 0.8, StandingW: 40} // 1800 W
	big, small := Load{900, 300}, Load{300, 150}
	held := []Lease{{"Egret", 1300, false}} // 500 W left
	cases := []struct {
		name  string
		queue []Ask
		now   time.Time
		pick  string
		why   map[string]string
	}{
		{"nobody waits", nil, t0, "", nil},
		{"a small one passes a big one", []Ask{{"Merel", big, t0}, {"Dunlin", small, t0.Add(time.Minute)}}, t0.Add(2 * time.Minute), "Dunlin",
			map[string]string{"Merel": "heating takes 900 W, and circuit north has 500 of 1800 W left"}},
		{"not after its patience", []Ask{{"Merel", big, t0}, {"Dunlin", small, t0.Add(time.Minute)}}, t0.Add(Patience), "",
			map[string]string{"Merel": "heating takes 900 W, and circuit north has 500 of 1800 W left", "Dunlin": "circuit north is kept for Merel, which has waited longer than 30 minutes"}},
		{"the impossible blocks nobody", []Ask{{"Merel", Load{2000, 300}, t0}, {"Dunlin", small, t0.Add(time.Minute)}}, t0.Add(Patience), "Dunlin", nil},
		{"the longest wait first", []Ask{{"Dunlin", small, t0.Add(time.Minute)}, {"Curlew", small, t0}}, t0.Add(2 * time.Minute), "Curlew",
			map[string]string{"Dunlin": "Curlew heats up first on circuit north"}},
		{"equal waits by name", []Ask{{"Dunlin", small, t0}, {"Curlew", small, t0}}, t0, "Curlew", nil},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			i, ok, why := Next(c, held, k.queue, k.now)
			got := ""
			if ok {
				got = k.queue[i].Printer
			}
			if got != k.pick {
				t.Errorf("picked %q, want %q", got, k.pick)
			}
			for p, want := range k.why {
				if why[p] != want {
					t.Errorf("%s waits because %q, want %q", p, why[p], want)
				}
			}
		})
	}
}

func TestRelaxNeverRaises(t *testing.T) {
	held := []Lease{{"Merel", 200, false}}
	if got := Relax(held, "Merel", Load{200, 400})[0].W; got != 200 {
		t.Errorf("relaxed to %g W", got)
	}
	if held[0].Hot {
		t.Error("the caller's leases were changed")
	}
}

// Over random circuits, fleets and orders of events the sum of the leases never
// passes the limit, every printer holds one lease at most, and a printer that
// waits and fits alone is served once the others have ended.
func TestLeasesStayBelowTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Circuit{
			Name: "north", Volts: rapid.SampledFrom([]float64{100, 120, 230, 240}).Draw(t, "volts"),
			BreakerA:  rapid.Float64Range(3, 32).Draw(t, "amperes"),
			Share:     rapid.Float64Range(0.3, 1).Draw(t, "share"),
			StandingW: rapid.Float64Range(0, 60).Draw(t, "standing"),
		}
		n := rapid.IntRange(1, 12).Draw(t, "printers")
		loads := make([]Load, n)
		for i := range loads {
			h := rapid.Float64Range(30, 1500).Draw(t, "heating")
			loads[i] = Load{h, rapid.Float64Range(10, h).Draw(t, "steady")}
		}
		now := time.Unix(0, 0)
		var held []Lease
		var queue []Ask
		index := func(p string) (i int) { _, _ = fmt.Sscanf(p, "P%d", &i); return }
		check := func() {
			if sum := SumW(held); sum > c.LimitW()+slackW {
				t.Fatalf("leases %v sum to %g W, the limit is %g W", held, sum, c.LimitW())
			}
			seen := map[string]bool{}
			for _, l := range held {
				if seen[l.Printer] {
					t.Fatalf("two leases for %s: %v", l.Printer, held)
				}
				seen[l.Printer] = true
			}
		}
		serve := func() {
			for {
				i, ok, why := Next(c, held, queue, now)
				if !ok {
					for _, q := range queue {
						if why[q.Printer] == "" {
							t.Fatalf("%s waits without a reason", q.Printer)
						}
					}
					return
				}
				var a Answer
				held, a = Grant(c, held, queue[i].Printer, queue[i].Load)
				if !a.OK {
					t.Fatalf("picked %v and then refused it: %s", queue[i], a.Text)
				}
				queue = append(queue[:i], queue[i+1:]...)
				check()
			}
		}
		for range rapid.IntRange(1, 80).Draw(t, "events") {
			p := fmt.Sprintf("P%d", rapid.IntRange(0, n-1).Draw(t, "printer"))
			now = now.Add(time.Duration(rapid.IntRange(0, 1200).Draw(t, "wait")) * time.Second)
			switch rapid.SampledFrom([]string{"ask", "hot", "end", "reheat"}).Draw(t, "event") {
			case "ask", "reheat":
				waits := false
				for _, q := range queue {
					waits = waits || q.Printer == p
				}
				if !waits {
					queue = append(queue, Ask{p, loads[index(p)], now})
				}
			case "hot":
				held = Relax(held, p, loads[index(p)])
			case "end":
				held = Release(held, p)
			}
			check()
			serve()
		}
		// Nobody starves: as the holders end one by one and nobody new asks,
		// whoever fits the circuit at all is served.
		for range 2*n + 2 {
			now = now.Add(Patience)
			serve()
			if len(held) > 0 {
				held = Release(held, held[0].Printer)
			}
			serve()
		}
		for _, q := range queue {
			if q.Load.peakW() <= c.LimitW() {
				t.Fatalf("%s with %g W of %g W was never served", q.Printer, q.Load.peakW(), c.LimitW())
			}
		}
	})
}
