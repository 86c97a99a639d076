package main

import (
	"context"
	"log/slog"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"

	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/metrics"
	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/web"
)

// figures gives the metrics what they count.
type figures struct {
	house *house
	pages *web.Server
}

// newFigures returns the handler of /metrics; its pages are set once they exist.
func newFigures(h *house, log *slog.Logger) (http.Handler, *figures, error) {
	f := &figures{house: h}
	o := metrics.Options{
		Version:     version(),
		PlateStates: []string{string(queue.PlateClear), string(queue.PlateOccupied), string(queue.PlateOff), string(queue.PlateUnknown)},
		Results:     []string{string(fleet.Finished), string(fleet.Failed), string(fleet.Cancelled), string(fleet.Interrupted), "not-started"},
		Log:         log,
	}
	for _, p := range []fleet.Phase{fleet.Absent, fleet.Settling, fleet.Ready, fleet.Warming, fleet.Printing, fleet.Paused, fleet.Cooling, fleet.Lent, fleet.Faulted} {
		o.Phases = append(o.Phases, string(p))
	}
	for _, s := range queue.JobStates {
		o.JobStates = append(o.JobStates, string(s))
	}
	reg := prometheus.NewRegistry()
	if err := metrics.Register(reg, f, o); err != nil {
		return nil, nil, err
	}
	return metrics.Handler(reg, log), f, nil
}

// Sample looks at the house once.
func (f *figures) Sample(ctx context.Context) (metrics.Sample, error) {
	v := f.house.dispatch.View()
	counts, err := f.house.store.Counts(ctx)
	if err != nil {
		return metrics.Sample{}, err
	}
	s := metrics.Sample{
		Watchers: f.pages.Watchers(),
		Queue: metrics.Queue{
			Jobs: map[string]int{}, RunsEnded: counts.Runs, MishapsOpen: len(v.Mishaps),
			PiecesGood: v.Tally.PiecesDone, PiecesWanted: v.Tally.PiecesWanted,
			PrintedS: v.Tally.HoursDone * 3600, LeftS: v.HoursIn * 3600, UsedG: v.Tally.GramsUsed,
		},
	}
	for _, c := range f.house.calls.Channels() {
		s.Channels = append(s.Channels, metrics.Channel{Name: c.Name, Told: c.Told, Failed: c.Failed, Waiting: c.Waiting})
	}
	for state, n := range counts.Jobs {
		s.Queue.Jobs[string(state)] = n
	}
	for i := range v.Printers {
		s.Printers = append(s.Printers, printerFigures(&v.Printers[i]))
	}
	if err := f.kept(ctx, &s); err != nil {
		return metrics.Sample{}, err
	}
	for _, c := range v.Circuits {
		s.Circuits = append(s.Circuits, metrics.Circuit{Name: c.Name, LimitW: c.LimitW, LeasedW: c.LeasedW, StandingW: c.StandingW})
	}
	return s, nil
}

// kept adds what the store knows of reels, builds and itself.
func (f *figures) kept(ctx context.Context, s *metrics.Sample) error {
	st := f.house.store
	reels, err := st.Spools(ctx, false)
	if err != nil {
		return err
	}
	for _, r := range reels {
		s.Stock.Reels++
		if r.Printer != "" {
			s.Stock.Loaded++
		}
		if r.Grams != nil {
			s.Stock.Remaining += *r.Grams
		} else {
			s.Stock.UnknownG++
		}
	}
	builds, err := f.house.Builds(ctx)
	if err != nil {
		return err
	}
	for _, b := range builds {
		k := metrics.Build{Name: b.Name, Good: b.Good, Wanted: b.Wanted, LeftHours: b.HoursLeft}
		if b.Due != nil {
			k.Due = float64(b.Due.Unix())
		}
		s.Builds = append(s.Builds, k)
	}
	l := st.Latency()
	s.Store.Writes, s.Store.WritesTook, s.Store.WritesWithin = l.Count, l.Sum, l.Within
	s.Store.LayersWaiting, s.Store.LayersDropped = st.Journal().Lag()
	s.Store.Bytes = st.Bytes()
	s.Store.DiskFree, s.Store.DiskSize = diskRoom(st.Dir())
	return nil
}

func printerFigures(p *dispatch.PrinterView) metrics.Printer {
	m, snap := &p.Machine, &p.Snapshot
	l := &snap.Link
	v := metrics.Printer{
		Name: m.Name, Kind: m.Kind, Firmware: l.Identity.Firmware, Phase: string(snap.Phase), Since: snap.Since,
		PlateState: string(m.Plate.State), WaitsPerson: p.WaitsFor == "person", OutOf: m.OutOfService != "",
		NozzleMM: m.NozzleMM, HeatAt: l.HeatAt,
		Link: metrics.Link{
			Up:   l.Phase == link.Idle || l.Phase == link.Streaming || l.Phase == link.Suspended,
			Sent: l.Sent, Accepted: l.Accepted, Executed: l.Done, Resends: l.Resends, Timeouts: l.Timeouts,
			Boots: int64(snap.Boots), Starved: l.Starved, LineShare: l.LineShare, RTTp50: l.RTTp50, RTTp99: l.RTTp99,
		},
	}
	v.SpoolEnds, v.Warnings = p.ReelEnds != nil, len(snap.Warnings)
	if m.Spool.Grams != nil {
		v.SpoolG = *m.Spool.Grams
	}
	for _, h := range l.Heaters {
		v.Heaters = append(v.Heaters, metrics.Heater{Name: h.Name, ActualC: h.ActualC, TargetC: h.TargetC, Duty: h.Duty})
	}
	if r := snap.Run; r != nil {
		v.Run = &metrics.Run{LayersDone: r.LayersDone, Layers: r.Layers, CompletedMM: r.CompletedMM, HeightMM: r.HeightMM, LeftS: r.LeftS, EndsAt: r.EndsAt}
	}
	return v
}
