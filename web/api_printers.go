package web

import (
	"context"
)

// PrinterPath names a printer in an address. It is exported for the API library,
// which fills embedded structs only then.
type PrinterPath struct {
	Name string `path:"name" maxLength:"100" doc:"the printer's name"`
}

// StopRequest ends a run. The cause goes into the record.
type StopRequest struct {
	Cause string `json:"cause" minLength:"1" maxLength:"500" doc:"why, in a person's words"`
}

func (a *api) printerRoutes() {
	get(a, "/api/printers", "printers", "Printers in the configuration's order",
		func(ctx context.Context, _ *struct{}) (*reply[[]Printer], error) {
			v, err := a.house.View(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(v.Printers)), nil
		})

	get(a, "/api/printers/{name}/runs", "printer-runs", "The newest runs of a printer, newest first",
		func(ctx context.Context, in *PrinterPath) (*reply[[]RunRecord], error) {
			runs, err := a.house.Runs(ctx, in.Name)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(runs)), nil
		})

	for _, c := range []struct {
		verb, summary string
		do            func(context.Context, string) error
	}{
		{"not-yet", "Take a clearing back while the start counts down", a.house.NotYet},
		{"pause", "Hold the run: pull back, lift, and wait beside the piece", a.house.Pause},
		{"resume", "Begin to go on with a held run: heat as it was, prime, back, the next line", a.house.Resume},
		{"lend", "A person drives the printer from its panel; ask it, never command it", a.house.Lend},
	} {
		post(a, "/api/printers/{name}/"+c.verb, c.verb, c.summary,
			func(ctx context.Context, in *PrinterPath) (*done, error) {
				if err := c.do(ctx, in.Name); err != nil {
					return nil, a.fail(err)
				}
				return nil, nil
			})
	}

	post(a, "/api/printers/{name}/take-back", "take-back", "End a lending; the plate counts as unknown",
		func(ctx context.Context, in *struct {
			PrinterPath
			Confirm
		}) (*done, error) {
			if err := in.confirmed(ctx, in.Name); err != nil {
				return nil, err
			}
			if err := a.house.TakeBack(ctx, in.Name); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
	post(a, "/api/printers/{name}/cleared", "cleared", "Answer 'is the plate clear?'",
		func(ctx context.Context, in *struct {
			PrinterPath
			Confirm
			Body Cleared
		}) (*done, error) {
			if err := in.confirmed(ctx, in.Name); err != nil {
				return nil, err
			}
			if err := a.house.Cleared(ctx, in.Name, in.Body); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})

	change(a, "fit", "Say what is fitted and loaded now", a.house.Fit)
	change(a, "service", "Take a printer out of service, or put it back", a.house.Service)
	change(a, "stop", "Stop the run now: end moves, heaters off, park",
		func(ctx context.Context, printer string, s StopRequest) error {
			return a.house.Stop(ctx, printer, s.Cause)
		})

	change(a, "loaded", "Another reel is in: note it, purge, and go on with the held run", a.house.Loaded)
	change(a, "emergency", "Stop the machine at once; 503 when nothing confirms that it stopped",
		func(ctx context.Context, printer string, s StopRequest) error {
			return a.house.Emergency(ctx, printer, s.Cause)
		})

	post(a, "/api/cool", "cool", "Every heater target of every printer to zero; ends what runs",
		func(ctx context.Context, _ *struct{}) (*reply[[]Cooled], error) {
			cooled, err := a.house.Cool(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(cooled)), nil
		})
	post(a, "/api/reload", "reload", "Read the configuration anew; running prints are not touched",
		func(ctx context.Context, _ *struct{}) (*reply[Reloaded], error) {
			r, err := a.house.Reload(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			r.Changed, r.Restart, r.Warnings = listed(r.Changed), listed(r.Restart), listed(r.Warnings)
			return answer(r), nil
		})
}

// change registers an operation on one printer with a body.
func change[B any](a *api, verb, summary string, do func(context.Context, string, B) error) {
	post(a, "/api/printers/{name}/"+verb, verb, summary,
		func(ctx context.Context, in *struct {
			PrinterPath
			Body B
		}) (*done, error) {
			if err := do(ctx, in.Name, in.Body); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
}
