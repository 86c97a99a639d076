package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"undercroft/fleet/sim"
)

// plan is all that one connection will be: which firmware, which line, what goes
// wrong on it, which files. It follows from its seed alone.
type plan struct {
	seed   uint64
	pty    bool
	family sim.Family
	all    bool // family a with all options
	baud   int  // 0: bytes are not timed
	pace   float64
	faults sim.Faults
	mix    string // name of what goes wrong
	files  []fileSpec
	replug bool // a port that was lost comes back, and the next file is sent
}

// fileSpec says how a file is generated.
type fileSpec struct {
	seed     uint64
	commands int
	deeds    []deed
}

// seedOf gives the seed of connection k of a campaign.
func seedOf(campaign, k uint64) uint64 {
	// SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom number
	// generators, 2014): neighbours in, strangers out.
	z := campaign*0x9e3779b97f4a7c15 + (k+1)*0xbf58476d1ce4e5b9
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// ptyHang is for how long firmware stands still at most where time is real: one
// that goes on reporting is given up after ten minutes only.
const ptyHang = 20 * time.Second

// planOf draws a plan. faults, where it is not nil, takes the place of what
// would have been drawn.
func planOf(seed uint64, pty bool, faults *sim.Faults) plan {
	r := rand.New(rand.NewPCG(seed, 1))
	p := plan{seed: seed, pty: pty, pace: 1}
	switch r.IntN(8) {
	case 0, 1:
		p.family = sim.FamilyA
	case 2, 3:
		p.family, p.all = sim.FamilyA, true
	case 4:
		p.family = sim.FamilyB
	case 5:
		p.family = sim.FamilyC
	case 6:
		p.family = sim.FamilyD
	case 7:
		p.family = sim.FamilyE
	}
	p.baud = []int{0, 0, 115200, 115200, 250000, 1000000}[r.IntN(6)]
	p.pace = []float64{1, 1, 1, 5, 20}[r.IntN(5)]
	total := 0
	files := 1 + r.IntN(3)
	if pty {
		files = 1
	}
	for range files {
		n := int(between(r, 200, 8000))
		if pty {
			n = int(between(r, 100, 600))
		}
		total += n
		p.files = append(p.files, fileSpec{seed: r.Uint64(), commands: n})
	}
	if pty {
		p.pace = 200
	}
	p.mix, p.faults = drawFaults(r, total)
	if pty && (p.faults.HangFor == 0 || p.faults.HangFor > ptyHang) {
		p.faults.HangFor = ptyHang
	}
	p.drawDeeds()
	if faults != nil {
		p.mix, p.faults = "given", *faults
	}
	return p
}

// between draws a number whose logarithm is evenly spread.
func between(r *rand.Rand, from, to float64) float64 {
	return from * math.Exp(r.Float64()*math.Log(to/from))
}

// mixes are the ways in which a line goes wrong, with how often each is drawn.
var mixes = []struct {
	name   string
	weight int
	draw   func(r *rand.Rand, f *sim.Faults)
}{
	{"clean", 2, func(*rand.Rand, *sim.Faults) {}},
	{"flips", 3, func(r *rand.Rand, f *sim.Faults) { f.Flip = between(r, 1e-6, 1e-3) }},
	{"lost bytes", 3, func(r *rand.Rand, f *sim.Faults) { f.LoseByte = between(r, 1e-6, 1e-3) }},
	{"bursts", 3, func(r *rand.Rand, f *sim.Faults) {
		f.Burst, f.BurstBytes = between(r, 1e-6, 2e-4), 2+r.IntN(60)
	}},
	{"lost lines", 2, func(r *rand.Rand, f *sim.Faults) { f.LoseLine = between(r, 1e-4, 2e-2) }},
	{"lost replies", 3, func(r *rand.Rand, f *sim.Faults) {
		f.LoseReply, f.LoseOK = between(r, 1e-5, 5e-3), between(r, 1e-5, 5e-3)
	}},
	{"doubled replies", 2, func(r *rand.Rand, f *sim.Faults) { f.DoubleOK = between(r, 1e-5, 1e-2) }},
	{"noisy replies", 2, func(r *rand.Rand, f *sim.Faults) {
		f.FlipBack, f.LoseByteBack = between(r, 1e-6, 1e-3), between(r, 1e-6, 1e-3)
	}},
	{"torn replies", 2, func(r *rand.Rand, f *sim.Faults) {
		f.Split, f.Glue = between(r, 1e-4, 0.1), between(r, 1e-4, 0.1)
	}},
	{"delays", 1, func(r *rand.Rand, f *sim.Faults) {
		f.Delay, f.DelayFor = between(r, 1e-4, 1e-2), time.Duration(between(r, 5e7, 4e9))
	}},
	{"all", 6, func(r *rand.Rand, f *sim.Faults) {
		scale := between(r, 0.01, 1)
		*f = sim.Faults{
			Flip: 2e-4 * scale, LoseByte: 2e-4 * scale, Burst: 3e-5 * scale, BurstBytes: 2 + r.IntN(40), LoseLine: 1e-3 * scale,
			FlipBack: 1e-4 * scale, LoseByteBack: 1e-4 * scale, LoseReply: 1e-3 * scale, LoseOK: 2e-3 * scale,
			DoubleOK: 2e-3 * scale, Split: 0.02 * scale, Glue: 0.02 * scale, Delay: 1e-3 * scale,
		}
	}},
}

// events are what happens once in a connection.
var events = []sim.FaultKind{sim.FaultReset, sim.FaultReset, sim.FaultUnplug, sim.FaultUnplug, sim.FaultSilence, sim.FaultSilence,
	sim.FaultHang, sim.FaultHang, sim.FaultEmergency, sim.FaultHeater, sim.FaultOpen, sim.FaultBedShort}

// drawFaults draws one mix, and in one of four connections an event too.
func drawFaults(r *rand.Rand, commands int) (name string, f sim.Faults) {
	weights := 0
	for _, m := range mixes {
		weights += m.weight
	}
	k := r.IntN(weights)
	for _, m := range mixes {
		if k -= m.weight; k < 0 {
			name = m.name
			m.draw(r, &f)
			break
		}
	}
	if r.IntN(4) == 0 {
		e := sim.FaultEvent{Kind: events[r.IntN(len(events))], Line: 1 + r.Int64N(int64(commands))}
		f.Events = []sim.FaultEvent{e}
		name += " + " + string(e.Kind)
		if r.IntN(2) == 0 {
			d := time.Duration(between(r, 2e8, 6e10)) // else for ever
			f.SilenceFor, f.HangFor = d, d
		}
	}
	return name, f
}

// String says what is played, for a person who replays it.
func (p plan) String() string {
	line := "in memory"
	if p.pty {
		line = "on a pseudo-terminal"
	}
	o := sim.Options{Family: p.family, AllOptions: p.all, Baud: p.baud, Pace: p.pace}
	return fmt.Sprintf("%s, %s; %d files; %s: %s", o.Describe(), line, len(p.files), p.mix, p.faults)
}
