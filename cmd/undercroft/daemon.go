package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"time"

	"undercroft/cmd/undercroft/config"
	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/fleet/power"
	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/queue/intake"
	"undercroft/queue/store"
	"undercroft/web"
	"undercroft/web/door"
)

// daemon is everything that serve and demo run, wired together.
type daemon struct {
	conf     *config.Config
	log      *slog.Logger
	store    *store.Store
	recovery *store.Recovery
	fleet    *fleet.Fleet
	dispatch *dispatch.Dispatcher
	house    *house
	web      *web.Server
	listener net.Listener
	audit    *door.Audit

	reloading   sync.Mutex
	fingerprint string // of the certificate; empty without TLS
}

// daemonOptions are what does not stand in the configuration.
type daemonOptions struct {
	clock houseClock
	demo  bool
	log   *slog.Logger
}

// newDaemon opens the store and the listening address and wires the rooms. It
// starts nothing: Run does.
func newDaemon(ctx context.Context, conf *config.Config, o daemonOptions) (_ *daemon, err error) {
	d := &daemon{conf: conf, log: o.log}
	d.store, d.recovery, err = store.Open(ctx, conf.House.DataDir, store.Options{Now: o.clock.Now, Log: o.log})
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.store.Close())
		}
	}()
	held := specs(conf)
	names := make([]string, len(held))
	for i := range held {
		names[i] = held[i].Name
	}
	facts, err := d.store.Printers(ctx, names)
	if err != nil {
		return nil, err
	}
	for i := range held {
		held[i].Lent = facts[held[i].Name].Lent
	}
	owed, err := owedHeat(ctx, d.store, names, d.recovery.Interrupted)
	if err != nil {
		return nil, err
	}
	taught := curves{d.store, o.log}
	d.fleet = fleet.New(fleet.Options{
		Specs: held, Now: o.clock.Now, Pace: o.clock.pace, OpenPort: portOpener(o.clock.pace), Owed: owed, Debts: debts{d.store, o.log}, MayHeat: d.mayHeat, Curves: taught, Log: o.log,
	})
	printers := map[string]dispatch.Printer{}
	for _, name := range d.fleet.Names() {
		printers[name] = d.fleet.Printer(name)
	}
	d.dispatch, err = dispatch.New(ctx, dispatch.Options{
		Store: d.store, Printers: printers, Notify: d.fleet.Subscribe, Machines: machines(conf), Circuits: circuits(conf),
		Now: o.clock.Now, Pace: o.clock.pace, Zone: conf.House.Location, StartDelay: startDelay(conf), Surfaces: conf.Surfaces, Log: o.log,
	})
	if err != nil {
		return nil, err
	}
	d.house = &house{clock: o.clock, demo: o.demo, store: d.store, dispatch: d.dispatch, taught: taught, reload: d.reload}
	d.house.conf.Store(conf)
	d.house.intake = &intake.Intake{Store: d.store, Kinds: d.house.kinds}
	metricsPage, figures, err := newFigures(d.house, o.log)
	if err != nil {
		return nil, err
	}
	options := web.Options{
		House: d.house, Metrics: metricsPage, Health: d.health, Log: o.log, Version: version(),
		Listen: conf.House.Listen, Hosts: conf.House.Hosts,
	}
	if d.fingerprint, err = openDoor(conf, &options); err != nil {
		return nil, err
	}
	d.audit = options.Audit
	d.web, err = web.New(options)
	if err != nil {
		return nil, errors.Join(err, d.audit.Close())
	}
	figures.pages = d.web
	if d.listener, err = d.web.Listen(); err != nil {
		return nil, err
	}
	d.house.calls, err = newCaller(conf, d.house, d.dispatch.Touch, pagesAddress(conf, d.listener.Addr(), d.fingerprint != ""), o.log)
	if err != nil {
		return nil, errors.Join(err, d.listener.Close())
	}
	return d, nil
}

// health is alive for a caller in a hurry.
func (d *daemon) health() error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return d.alive(ctx)
}

// Run works until ctx ends. Then nothing starts any more, every printer is
// settled (the line in hand, heaters off, parked), outcomes are recorded, the
// pages close, and the store is closed last. hurry, when it is closed, shortens
// the settling.
func (d *daemon) Run(ctx context.Context, hurry <-chan struct{}) error {
	webCtx, closePages := context.WithCancel(context.WithoutCancel(ctx))
	defer closePages()
	workCtx, cancel := context.WithCancel(ctx)
	defer cancel()

	m := manager{log: d.log, alive: d.alive}
	var work, pages sync.WaitGroup
	errs := make(chan error, 4)
	keep := func(err error) {
		if err != nil && !errors.Is(err, context.Canceled) {
			errs <- err
			cancel() // one part that ends early ends the others in order
		}
	}
	pages.Go(func() { keep(d.web.Serve(webCtx, d.listener)) })
	work.Go(func() { keep(d.dispatch.Run(workCtx)) })
	work.Go(func() { keep(d.fleet.Run(workCtx)) })
	work.Go(func() { keep(d.house.calls.Run(workCtx)) })
	if d.conf.House.Inbox != "" {
		work.Go(func() { keep(d.house.inbox(d.log).Run(workCtx)) })
	}
	m.ready("serving " + d.URL())
	go m.watchdog(workCtx)
	done := make(chan struct{})
	go func() {
		select {
		case <-workCtx.Done():
			m.ending()
		case <-done:
		}
	}()
	go func() {
		select {
		case <-hurry:
			d.fleet.Hurry()
		case <-done:
		}
	}()
	work.Wait()
	close(done)
	closePages()
	pages.Wait()
	close(errs)
	var all []error
	for err := range errs {
		all = append(all, err)
	}
	return errors.Join(append(all, d.audit.Close(), d.store.Close())...)
}

// mayHeat asks the dispatcher, which is made after the fleet and before it runs.
func (d *daemon) mayHeat(printer string) error { return d.dispatch.MayHeat(printer) }

// URL is where the pages are.
func (d *daemon) URL() string {
	scheme := "http://"
	if d.fingerprint != "" {
		scheme = "https://"
	}
	return scheme + d.listener.Addr().String() + "/"
}

// portOpener opens ports for a house at that pace. A countdown runs faster with
// the house's time, so that at another pace than 1 only pseudo-terminals are
// opened: no hand is ever in a virtual printer.
func portOpener(pace float64) func(path string, baud int) (link.Port, error) {
	if pace == 1 {
		return link.OpenPort
	}
	return func(path string, baud int) (link.Port, error) {
		real, err := filepath.EvalSymlinks(path)
		if err != nil {
			return nil, err
		}
		if filepath.Dir(real) != "/dev/pts" {
			return nil, fmt.Errorf("%s is no pseudo-terminal; the house runs at pace %g, and that is for virtual printers only", path, pace)
		}
		return link.OpenPort(path, baud)
	}
}

// startDelay is the configured one as the dispatcher wants it.
func startDelay(conf *config.Config) time.Duration {
	if conf.House.StartDelay == 0 {
		return -1 // the dispatcher's word for none
	}
	return conf.House.StartDelay
}

func specs(conf *config.Config) []fleet.Spec {
	var out []fleet.Spec
	for _, p := range conf.Printers {
		if p.Kind == queue.ByHand {
			continue // it has no link
		}
		out = append(out, fleet.Spec{
			Name: p.Name, Kind: p.Kind, Path: p.Path, Baud: p.Baud, WindowBytes: p.WindowBytes, VolumeMM: p.VolumeMM,
			MaxNozzleC: p.MaxNozzleC, MaxBedC: p.MaxBedC, ParkGCode: p.ParkGCode, CoolBelowC: p.CoolBelowC,
			StallAfter: p.StallAfter, RunoutFails: p.RunoutFailsAfter, EndGCode: p.EndGCode, HostCalls: p.CallsHere,
			Waiting: fleet.Waiting{
				AtMM: p.HeldAtMM, CoolsAfter: p.HeldCoolsAfter, NozzleC: p.HeldNozzleC, BedC: p.HeldBedC,
				PrimeMM: p.PrimeMM, PurgeMM: p.PurgeMM,
			},
		})
	}
	return out
}

func machines(conf *config.Config) []dispatch.Machine {
	out := make([]dispatch.Machine, len(conf.Printers))
	for i, p := range conf.Printers {
		out[i] = dispatch.Machine{
			Name: p.Name, Kind: p.Kind, VolumeMM: p.VolumeMM, OriginMM: p.OriginMM, MaxNozzleC: p.MaxNozzleC, MaxBedC: p.MaxBedC,
			Circuit: p.Circuit, Load: power.Load{HeatingW: p.HeatingW, SteadyW: p.SteadyW},
		}
		if p.Clearing != nil {
			out[i].Clearing, out[i].MaxClearings = p.Clearing.GCode, p.Clearing.MaxInRow
		}
	}
	return out
}

func circuits(conf *config.Config) []power.Circuit {
	out := make([]power.Circuit, len(conf.Circuits))
	for i, c := range conf.Circuits {
		out[i] = power.Circuit{Name: c.Name, Volts: c.Volts, BreakerA: c.BreakerA, Share: c.ContinuousShare, StandingW: c.StandingW}
	}
	return out
}
