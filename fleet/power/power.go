// Package power does the arithmetic of electrical circuits: what a circuit may
// carry by its owner's settings, what is promised to the printers on it, and
// which heat-up may be next.
//
// Every figure is an estimate for planning. It is never a statement that a
// circuit is safe: a breaker that has not tripped is no permission, beds cycle
// at full power and may coincide, and local codes and a licensed electrician
// decide what a circuit may carry.
package power

import (
	"fmt"
	"math"
	"time"
)

// DefaultShare is the share of a breaker's rating that is used for loads of
// three hours and more when the owner sets none: one country's rule (a breaker
// of at least 125 % of a continuous load). The owner's own code decides.
const DefaultShare = 0.8

// Circuit is one breaker-protected branch, as its owner declared it.
type Circuit struct {
	Name      string
	Volts     float64
	BreakerA  float64
	Share     float64 // of the rating, for continuous use; 0: DefaultShare
	StandingW float64 // what else is always on it: light, fan, computer
}

// Load is what one printer draws.
type Load struct {
	HeatingW float64 // while heating up: all heaters at full power
	SteadyW  float64 // the mean once hot
}

// Lease is a promise of watts on a circuit to one printer.
type Lease struct {
	Printer string
	W       float64
	Hot     bool // relaxed to the steady draw
}

// Ask is a printer that wants to heat up.
type Ask struct {
	Printer string
	Load    Load
	Since   time.Time // waiting since
}

// Check says what makes the circuit's figures unusable, nil when nothing does.
func (c Circuit) Check() error {
	for _, v := range []struct {
		what string
		v    float64
		min  float64
	}{{"volts", c.Volts, 1}, {"breaker amperes", c.BreakerA, 0.1}, {"standing watts", c.StandingW, 0}} {
		if math.IsNaN(v.v) || math.IsInf(v.v, 0) || v.v < v.min {
			return fmt.Errorf("circuit %s: %s is %g; at least %g is needed", c.Name, v.what, v.v, v.min)
		}
	}
	if math.IsNaN(c.Share) || c.Share < 0 || c.Share > 1 {
		return fmt.Errorf("circuit %s: the continuous share is %g; it must be above 0 and at most 1", c.Name, c.Share)
	}
	if c.LimitW() <= 0 {
		return fmt.Errorf("circuit %s: the standing load of %.0f W uses up all of %.0f W", c.Name, c.StandingW, c.LimitW()+c.StandingW)
	}
	return nil
}

// LimitW is what may be leased: volts × amperes × share − standing load.
func (c Circuit) LimitW() float64 {
	share := c.Share
	if share == 0 {
		share = DefaultShare
	}
	return c.Volts*c.BreakerA*share - c.StandingW
}

// SumW is the sum of leases.
func SumW(held []Lease) float64 {
	var sum float64
	for _, l := range held {
		sum += l.W
	}
	return sum
}

// peakW is what a lease must cover until the printer is hot. A steady draw
// declared above the heating draw counts as the peak.
func (l Load) peakW() float64 { return max(l.HeatingW, l.SteadyW, 0) }

// slackW absorbs the rounding of sums; a millionth of a watt trips nothing.
const slackW = 1e-6

// Answer says whether a heat-up may begin, and why in words and numbers.
type Answer struct {
	OK      bool
	Never   bool // not even on an otherwise idle circuit
	WantsW  float64
	LeasedW float64 // by the others
	LimitW  float64
	FreeW   float64 // what is not leased; negative when the circuit is over
	Text    string
}

// CanHeat says whether printer may begin to heat now, from cold or anew after
// its lease was relaxed. A lease that it holds already is exchanged, so it does
// not count against it.
func CanHeat(c Circuit, held []Lease, printer string, l Load) Answer {
	a := Answer{WantsW: l.peakW(), LimitW: c.LimitW()}
	for _, h := range held {
		if h.Printer != printer {
			a.LeasedW += h.W
		}
	}
	a.FreeW = a.LimitW - a.LeasedW
	switch {
	case math.IsNaN(a.WantsW) || math.IsInf(a.WantsW, 0):
		a.Never = true
		a.Text = fmt.Sprintf("the draw of %s is not a number of watts; correct its configuration", printer)
	case a.WantsW > a.LimitW+slackW:
		a.Never = true
		a.Text = fmt.Sprintf("heating takes %.0f W, and circuit %s may carry %.0f W for its printers in all: move %s to a larger circuit, or correct the figures",
			a.WantsW, c.Name, a.LimitW, printer)
	case a.FreeW < -slackW:
		a.Text = fmt.Sprintf("circuit %s is over its limit: %.0f W are promised, %.0f W are the limit; nothing new is started on it", c.Name, a.LeasedW, a.LimitW)
	case a.WantsW > a.FreeW+slackW:
		a.Text = fmt.Sprintf("heating takes %.0f W, and circuit %s has %.0f of %.0f W left", a.WantsW, c.Name, max(a.FreeW, 0), a.LimitW)
	default:
		a.OK = true
		a.Text = fmt.Sprintf("heating takes %.0f W of the %.0f W left on circuit %s", a.WantsW, a.FreeW, c.Name)
	}
	return a
}

// Grant returns the leases with printer's heat-up among them, or the same
// leases and the answer that refuses it. held is not changed.
func Grant(c Circuit, held []Lease, printer string, l Load) ([]Lease, Answer) {
	a := CanHeat(c, held, printer, l)
	if !a.OK {
		return held, a
	}
	out := make([]Lease, 0, len(held)+1)
	for _, h := range held {
		if h.Printer != printer {
			out = append(out, h)
		}
	}
	return append(out, Lease{Printer: printer, W: a.WantsW}), a
}

// Relax lowers printer's lease to its steady draw once it is hot. It never
// raises one: a reheat is asked for with Grant like any heat-up.
func Relax(held []Lease, printer string, l Load) []Lease {
	out := append([]Lease(nil), held...)
	for i := range out {
		if out[i].Printer == printer {
			if w := max(l.SteadyW, 0); w < out[i].W {
				out[i].W = w
			}
			out[i].Hot = true
		}
	}
	return out
}

// Take raises printer's lease to its heating draw without asking: its firmware
// heats anew by itself, as after a pause of its own, and nobody can keep it from
// that. The circuit may then be over its limit, so that nothing new is started on
// it until there is room again. The second result says whether it is.
func Take(c Circuit, held []Lease, printer string, l Load) ([]Lease, bool) {
	out := append(Release(held, printer), Lease{Printer: printer, W: l.peakW()})
	return out, SumW(out) > c.LimitW()+slackW
}

// Release ends printer's lease.
func Release(held []Lease, printer string) []Lease {
	out := make([]Lease, 0, len(held))
	for _, h := range held {
		if h.Printer != printer {
			out = append(out, h)
		}
	}
	return out
}

// Patience is how long a heat-up that does not fit lets smaller ones behind it
// go first. After that the circuit is kept for it, so that it gets its turn
// once enough leases have ended.
const Patience = 30 * time.Minute

// Next picks the heat-up that may begin now: the one that has waited longest of
// those that fit, except that nobody passes one that has waited longer than
// Patience. The second result is false when none may begin. For each ask that
// must wait, reasons (by printer) says why.
func Next(c Circuit, held []Lease, queue []Ask, now time.Time) (pick int, ok bool, reasons map[string]string) {
	order := byAge(queue)
	reasons = make(map[string]string, len(queue))
	pick = -1
	keptFor := ""
	for _, i := range order {
		q := queue[i]
		a := CanHeat(c, held, q.Printer, q.Load)
		switch {
		case pick >= 0:
			reasons[q.Printer] = fmt.Sprintf("%s heats up first on circuit %s", queue[pick].Printer, c.Name)
		case keptFor != "":
			reasons[q.Printer] = fmt.Sprintf("circuit %s is kept for %s, which has waited longer than %.0f minutes", c.Name, keptFor, Patience.Minutes())
		case a.OK:
			pick = i
		default:
			reasons[q.Printer] = a.Text
			if !a.Never && now.Sub(q.Since) >= Patience {
				keptFor = q.Printer
			}
		}
	}
	return pick, pick >= 0, reasons
}

// byAge returns the indices of queue, the longest wait first; equal waits in
// the order of names, so that the choice does not depend on the caller's order.
func byAge(queue []Ask) []int {
	order := make([]int, len(queue))
	for i := range order {
		order[i] = i
	}
	for i := 1; i < len(order); i++ {
		for j := i; j > 0 && before(queue[order[j]], queue[order[j-1]]); j-- {
			order[j], order[j-1] = order[j-1], order[j]
		}
	}
	return order
}

func before(a, b Ask) bool {
	if !a.Since.Equal(b.Since) {
		return a.Since.Before(b.Since)
	}
	return a.Printer < b.Printer
}
