package watch

import "fmt"

// Row is one thing that the watch, or whoever acts on it, can find: what is seen,
// from when it counts, why then, and what is done.
type Row struct {
	Cause  string
	Seen   string
	When   string
	Why    string
	Action string
}

// Table lists what Look can say, with the thresholds that it uses.
func Table() []Row {
	n, b, c := &nozzle, &bed, &chamber
	each := func(f func(*class) string) string {
		return fmt.Sprintf("nozzle %s; bed %s", f(n), f(b))
	}
	return []Row{
		{string(NoAnswer), "nothing at all is heard", sayf("%s beyond what is on its way: told; stall_after (%s): acted on", span(quietWarn), span(defaultStall)),
			"a live machine says something every 2 s: ten reports missed", "warn; then end the run, and an emergency stop when that is not taken"},
		{string(Stalled), "answers, and no command gets done", sayf("stall_after (%s) beyond %d times the estimate", span(defaultStall), slowest),
			"a feed factor turned down at the panel to a tenth is slow, not stalled; a dwell, homing and a wait for heat explain themselves", "end the run: heaters off, park"},
		{string(NeverDrains), "everything was accepted, and the planner never empties", sayf("stall_after (%s) beyond %d times the estimate", span(defaultStall), slowest),
			"what was accepted is at most a planner full of moves, whose length is known", "end the run: heaters off, park"},
		{string(Slow), "a move takes far longer than its estimate", sayf("stall_after (%s) beyond 4 times the estimate", span(defaultStall)),
			"slower is not stalled", "warn"},
		{string(NotHeating), "a heater that should heat does not get warmer", sayf("by its own curve: %s, on a day with %.0f %% of its power in a room of %.0f °C, times %.1f; without a curve: %s",
			each(func(k *class) string { return sayf("%.0f °C", k.fitRiseC) }), weakPower*100, coldRoomC, weakFactor,
			each(func(k *class) string { return sayf("%.0f °C in %s", k.riseC, span(k.riseIn)) })),
			"mains may be 10 % low and a cellar cold; the fixed times fit the slowest healthy heater", "end the run: heaters off, park; a slow bed without a curve is told first"},
		{string(BelowTarget), "a heater falls away from its target", each(func(k *class) string {
			return sayf("%.0f °C for %s told, %.0f °C for %s acted on", k.warnLowC, span(k.warnLowIn), k.lowC, span(k.lowIn))
		}), "a fan or a draught costs less, and comes back", "warn; then end the run: heaters off, park"},
		{string(AboveTarget), "a heater rises away from its target", each(func(k *class) string { return sayf("%.0f °C for %s", k.highC, span(k.highIn)) }),
			"a badly tuned controller overshoots less, and is back sooner", "emergency stop"},
		{string(HeatsUnasked), "a temperature rises although its target is lower or off", each(func(k *class) string {
			return sayf("by %.0f °C, above %.0f °C", k.unaskedRiseC, k.unaskedAboveC)
		}), "a neighbour's heat does not reach so far", "emergency stop"},
		{string(OverLimit), "hotter than the machine is declared for", sayf("%.0f °C over, twice running", overC), "firmware allows its maximum and overshoots a little", "emergency stop"},
		{string(SensorOpen), "a reading that only a broken wire gives", sayf("%.0f °C or less, in one step or apart from the others", openC), "a shed in frost is as cold, but then all of it is", "end the run, or no start; warn while off"},
		{string(SensorShorted), "a reading that only a shorted sensor gives", sayf("nozzle %.0f °C, bed %.0f °C, chamber %.0f °C or more", n.shortC, b.shortC, c.shortC), "no desktop heater gets there", "end the run, or no start; warn while off"},
		{string(SensorLoose), "readings jump faster than heat can", each(func(k *class) string {
			return sayf("%.0f °C and %.0f °C/s, twice in %s", k.jumpC, k.jumpS, span(jumpsWithin))
		}),
			"one jump may be a disturbed reading", "warn; then end the run"},
	}
}
