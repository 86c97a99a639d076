package main

import (
	"context"
	"fmt"
	"slices"

	"undercroft/cmd/undercroft/config"
	"undercroft/gcode/analyze"
	"undercroft/gcode/motion"
	"undercroft/queue"
	"undercroft/queue/intake"
	"undercroft/web"
)

// Machine says what files for a printer are read with and checked against: what
// adding one for its kind would, with the printer's own constants.
func (h *house) Machine(_ context.Context, printer string) (web.Machine, error) {
	i := slices.IndexFunc(h.config().Printers, func(p config.Printer) bool { return p.Name == printer })
	if i < 0 || h.config().Printers[i].Kind == queue.ByHand {
		return web.Machine{}, fmt.Errorf("there is no printer %s here that reads files: %w", printer, queue.ErrNotFound)
	}
	kind := h.config().Printers[i].Kind
	o, err := h.intake.Options(kind, "")
	if err != nil {
		return web.Machine{}, err
	}
	own := intake.Kind{HomingS: o.HomingS, LevellingS: o.LevellingS}
	h.taught.taught(&own, []string{printer})
	l := o.Limits
	m := web.Machine{
		Kind: kind, MaxNozzleC: o.Machine.MaxNozzleC, MaxBedC: o.Machine.MaxBedC, FilamentMM: o.FilamentMM, AllowCodes: o.AllowCodes,
		HomingS: own.HomingS, LevellingS: own.LevellingS,
		Limits: web.MachineLimits{MaxFeedMMs: l.MaxFeedMMs, MaxAccelMMs2: l.MaxAccelMMs2, AccelPrintMMs2: l.AccelPrintMMs2,
			AccelRetractMMs2: l.AccelRetractMMs2, AccelTravelMMs2: l.AccelTravelMMs2, JunctionDeviationMM: l.JunctionDeviationMM,
			JerkMMs: l.JerkMMs, MinFeedMMs: l.MinFeedMMs, MinTravelFeedMMs: l.MinTravelFeedMMs, MinSegmentMS: l.MinSegmentMS, StepsPerMM: l.StepsPerMM},
	}
	if v := o.Machine.Volume; v != nil {
		m.Reach = &web.MachineReach{MinMM: v.Min, MaxMM: v.Max}
	}
	for i, x := range own.Heat {
		m.Heat[i] = web.MachineHeat{RiseC: x.RiseC, TimeConstantS: x.TimeConstantS, DeadS: x.DeadS}
	}
	return m, nil
}

// readWith turns a printer's answer back into what its files are read with.
func readWith(m *web.Machine) analyze.Options {
	l := m.Limits
	o := analyze.Options{
		Limits: motion.Limits{MaxFeedMMs: l.MaxFeedMMs, MaxAccelMMs2: l.MaxAccelMMs2, AccelPrintMMs2: l.AccelPrintMMs2,
			AccelRetractMMs2: l.AccelRetractMMs2, AccelTravelMMs2: l.AccelTravelMMs2, JunctionDeviationMM: l.JunctionDeviationMM,
			JerkMMs: l.JerkMMs, MinFeedMMs: l.MinFeedMMs, MinTravelFeedMMs: l.MinTravelFeedMMs, MinSegmentMS: l.MinSegmentMS, StepsPerMM: l.StepsPerMM},
		Machine:    &analyze.Machine{MaxNozzleC: m.MaxNozzleC, MaxBedC: m.MaxBedC, Tools: 1},
		FilamentMM: m.FilamentMM, AllowCodes: m.AllowCodes, HomingS: m.HomingS, LevellingS: m.LevellingS,
	}
	if r := m.Reach; r != nil {
		o.Machine.Volume = &analyze.Box{Min: r.MinMM, Max: r.MaxMM}
	}
	var heat analyze.HeatModels
	for i, x := range m.Heat {
		heat[i] = analyze.HeatModel{RiseC: x.RiseC, TimeConstantS: x.TimeConstantS, DeadS: x.DeadS}
	}
	o.HeatS = heat.Seconds
	return o
}
