package plan

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Noise is what the house has learned of its own estimates: for each run that
// ended, oldest first, the natural logarithm of actual over estimated minutes.
// Order matters: runs that lie together err together.
type Noise struct{ Residuals []float64 }

// Spread is a range in minutes from Now: with 10, 50 and 90 % it is done by then.
type Spread struct{ P10, P50, P90 int }

// Forecast is when things will be done.
type Forecast struct {
	Build      Spread
	Assemblies map[string]Spread
	Machines   map[string]Spread
	Replays    int
	Mishaps    float64 // runs that go wrong, on average over the replays
}

// Foresee replays a plan many times. In each replay durations err as a stretch of
// the house's own record did, drawn whole (the moving block bootstrap: Künsch, Ann.
// Statist. 17 (1989) 1217, from memory), so that heavy tails, drift and bad weeks
// stay in it; runs fail at their printer's own rate and are made again; and every
// printer keeps its sequence and waits for hands as the house's calendar says.
//
// With fewer than 8 residuals the ranges of the tasks are used instead, each run
// for itself.
func Foresee(h *House, p *Plan, replays int, seed uint64) *Forecast {
	f := &Forecast{Assemblies: map[string]Spread{}, Machines: map[string]Spread{}, Replays: replays}
	if replays <= 0 {
		return f
	}
	c := newReplayer(h, p)
	build := make([]int, 0, replays)
	assemblies, machines := map[string][]int{}, map[string][]int{}
	r := rand.New(rand.NewPCG(seed, 41))
	for range replays {
		out := c.replay(r)
		build = append(build, out.done)
		for a, v := range out.assemblies {
			assemblies[a] = append(assemblies[a], v)
		}
		for m, v := range out.machines {
			machines[m] = append(machines[m], v)
		}
		f.Mishaps += float64(out.mishaps) / float64(replays)
	}
	f.Build = spread(build)
	for a, v := range assemblies {
		f.Assemblies[a] = spread(v)
	}
	for m, v := range machines {
		f.Machines[m] = spread(v)
	}
	return f
}

func spread(v []int) Spread {
	slices.Sort(v)
	at := func(q float64) int { return v[min(len(v)-1, int(q*float64(len(v))))] }
	return Spread{at(0.1), at(0.5), at(0.9)}
}

// widening makes good that a record of few blocks shows less than what can come: the
// 90 % point of Student's t for so many blocks over that of the normal (the first
// term of the Cornish-Fisher expansion; Abramowitz and Stegun 26.7.5, from memory),
// and the error of the record's own mean.
func widening(blocks float64) float64 {
	nu := max(blocks-1, 2)
	return (z90 + (z90*z90*z90+z90)/(4*nu)) / z90 * math.Sqrt(1+1/blocks)
}

const z90 = 1.2815515655446004 // the normal's 90 % point

// replayer plays a plan with other durations.
type replayer struct {
	h     *House
	steps []Step // by start
	tasks []*Task
	where []int
	spans []Window
	res   []float64
	block int
}

type replayed struct {
	done       int
	assemblies map[string]int
	machines   map[string]int
	mishaps    int
}

func newReplayer(h *House, p *Plan) *replayer {
	c := &replayer{h: h, steps: p.Steps}
	byID, machine := map[string]*Task{}, map[string]int{}
	for k := range h.Tasks {
		byID[h.Tasks[k].ID] = &h.Tasks[k]
	}
	for k, m := range h.Machines {
		machine[m.Name] = k
	}
	for _, s := range p.Steps {
		c.tasks = append(c.tasks, byID[s.Task])
		c.where = append(c.where, machine[s.Machine])
	}
	for _, x := range h.People {
		c.spans = append(c.spans, startSpans(union(slices.Clone(x.Home)), h.HandsMin)...)
	}
	c.spans = union(c.spans)
	if len(h.Noise.Residuals) >= 8 {
		c.res = h.Noise.Residuals
		// A block is as long as the runs of this plan, but short enough that the
		// record holds several.
		c.block = max(1, min(len(p.Steps), len(c.res)/6))
		wide := widening(float64(len(c.res)) / float64(c.block))
		mean := 0.0
		for _, v := range c.res {
			mean += v / float64(len(c.res))
		}
		c.res = slices.Clone(c.res)
		for k, v := range c.res {
			c.res[k] = mean + wide*(v-mean)
		}
	}
	return c
}

func (c *replayer) replay(r *rand.Rand) replayed {
	out := replayed{assemblies: map[string]int{}, machines: map[string]int{}}
	free := make([]int, len(c.h.Machines))
	at := 0
	left := 0
	residual := func(t *Task, m string) float64 {
		if c.res == nil {
			return fromRange(r, t.On[m])
		}
		if left == 0 {
			at, left = r.IntN(len(c.res)-c.block+1), c.block
		}
		v := c.res[at]
		at, left = at+1, left-1
		return math.Exp(v)
	}
	for i, m := range c.h.Machines {
		free[i] = m.ReadyMin
		if m.RunningEnds > 0 {
			end := m.RunningEnds
			if c.res != nil {
				end = int(float64(end) * math.Exp(c.res[r.IntN(len(c.res))]))
			}
			free[i] = max(end+m.ReadyMin-m.RunningEnds, 0)
			out.machines[m.Name], out.done = end, max(out.done, end)
		}
	}
	for k, s := range c.steps {
		i, t := c.where[k], c.tasks[k]
		m := &c.h.Machines[i]
		planned := float64(s.EndMin - s.StartMin)
		// The print errs, the hands before it do not.
		extra := max(0, planned-float64(t.On[m.Name].Mean))
		for {
			start := int32(free[i])
			if s.Attended {
				if next := nextIn(c.spans, false, start); next < never {
					start = next
				}
			}
			took := extra + float64(t.On[m.Name].Mean)*residual(t, m.Name)
			fails := m.MishapsPerHour > 0 && r.Float64() < 1-math.Exp(-m.MishapsPerHour*took/60) && out.mishaps < 10*len(c.steps)
			if fails {
				out.mishaps++
				free[i] = int(start) + int(took*r.Float64()) + t.CoolMin
				continue
			}
			end := int(start) + int(math.Round(took))
			free[i] = end + t.CoolMin
			out.done = max(out.done, end)
			out.machines[m.Name] = max(out.machines[m.Name], end)
			if t.Assembly != "" {
				out.assemblies[t.Assembly] = max(out.assemblies[t.Assembly], end)
			}
			break
		}
	}
	return out
}

// fromRange draws a factor on the mean from a task's learned range: two half
// normals in the logarithm that put 10 % below Low and above High.
func fromRange(r *rand.Rand, g Range) float64 {
	if g.Low <= 0 || g.High <= 0 || g.Mean <= 0 {
		return 1
	}
	z := r.NormFloat64()
	side := float64(g.High)
	if z < 0 {
		side = float64(g.Low)
		return math.Exp(-z * math.Log(min(1, side/float64(g.Mean))) / z90)
	}
	return math.Exp(z * math.Log(max(1, side/float64(g.Mean))) / z90)
}
