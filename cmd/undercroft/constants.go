package main

import (
	"context"
	"encoding/json"

	"undercroft/fleet/watch"
	"undercroft/gcode/analyze"
	"undercroft/queue/intake"
	"undercroft/queue/store"
)

// constant is how long homing or levelling takes on a printer.
type constant struct {
	S float64 `json:"s"` // newer ones count more
	N int     `json:"n"` // times it was seen
}

// newest is what the last value counts beside all before it.
const newest = 0.3

// KeepConstant learns one more value.
func (c curves) KeepConstant(printer string, what watch.Constant, seconds float64) {
	ctx, cancel := context.WithTimeout(context.Background(), curvePatience)
	defer cancel()
	k := c.constant(printer, what)
	if k.N == 0 {
		k.S = seconds
	}
	k.S += newest * (seconds - k.S)
	k.N = min(k.N+1, 1000)
	text, err := json.Marshal(k)
	if err == nil {
		err = c.store.SetSetting(ctx, constantKey(printer, what), string(text))
	}
	if err != nil {
		c.log.Warn("how long a printer takes could not be stored", "printer", printer, "what", what, "err", err)
	}
}

// constant reads what was learned; zero where nothing was.
func (c curves) constant(printer string, what watch.Constant) (k constant) {
	ctx, cancel := context.WithTimeout(context.Background(), curvePatience)
	defer cancel()
	text, err := c.store.Setting(ctx, constantKey(printer, what))
	if err != nil || text == "" || json.Unmarshal([]byte(text), &k) != nil || !what.Plausible(k.S) {
		return constant{}
	}
	return k
}

func constantKey(printer string, what watch.Constant) string {
	return store.KeyConstant + "/" + printer + "/" + string(what)
}

// roomC is where analyze's models begin.
const roomC = 20

// heatModels turns a printer's curves into what a file's heating is reckoned
// with. The first heat-up may have begun on a warm machine, so two are wanted.
// Of several nozzles the first speaks.
func (c curves) heatModels(printer string) (m analyze.HeatModels) {
	for _, k := range c.Curves(printer) {
		h := analyze.HeatNozzle
		switch k.Heater {
		case "B":
			h = analyze.HeatBed
		case "C":
			h = analyze.HeatChamber
		}
		if k.HeatUps < 2 || !(k.RiseCS > 0) || m[h] != (analyze.HeatModel{}) {
			continue
		}
		loss := max(k.LossS, 1e-5) // nothing is lost: it would rise for ever
		if rise := k.RiseCS/loss - roomC; rise > 0 {
			m[h] = analyze.HeatModel{RiseC: rise, TimeConstantS: 1 / loss, DeadS: max(0, k.DeadS)}
		}
	}
	return m
}

// taught puts what the printers of a kind have taught into what its files are
// read with: of each thing the mean of those that have.
func (c curves) taught(k *intake.Kind, printers []string) {
	var heat analyze.HeatModels
	var with [len(heat)]float64
	var homing, levelling, homed, levelled float64
	for _, p := range printers {
		for h, m := range c.heatModels(p) {
			if m == (analyze.HeatModel{}) {
				continue
			}
			heat[h].RiseC += m.RiseC
			heat[h].TimeConstantS += m.TimeConstantS
			heat[h].DeadS += m.DeadS
			with[h]++
		}
		if x := c.constant(p, watch.Homing); x.N > 0 {
			homing, homed = homing+x.S, homed+1
		}
		if x := c.constant(p, watch.Levelling); x.N > 0 {
			levelling, levelled = levelling+x.S, levelled+1
		}
	}
	for h, n := range with {
		if n > 0 {
			k.Heat[h] = analyze.HeatModel{RiseC: heat[h].RiseC / n, TimeConstantS: heat[h].TimeConstantS / n, DeadS: heat[h].DeadS / n}
		}
	}
	if homed > 0 {
		k.HomingS = homing / homed
	}
	if levelled > 0 {
		k.LevellingS = levelling / levelled
	}
}
