package web

import (
	"context"
	"html/template"
	"net/http"
	"strings"
)

// ReelPath names a reel in an address; exported like PrinterPath.
type ReelPath struct {
	Number int `path:"number" minimum:"1" doc:"the number on the reel"`
}

func (a *api) stockRoutes() {
	get(a, "/api/spools", "spools", "Reels in stock by number",
		func(ctx context.Context, in *struct {
			All bool `query:"all" doc:"the retired ones too"`
		}) (*reply[[]Reel], error) {
			list, err := a.house.Spools(ctx, in.All)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(list)), nil
		})

	get(a, "/api/spools/{number}", "spool", "One reel and what happened to it",
		func(ctx context.Context, in *ReelPath) (*reply[ReelHistory], error) {
			r, err := a.house.Spool(ctx, in.Number)
			if err != nil {
				return nil, a.fail(err)
			}
			r.Events = listed(r.Events)
			return answer(r), nil
		})

	post(a, "/api/spools", "add-spool", "Put a reel into stock",
		func(ctx context.Context, in *struct{ Body NewReel }) (*reply[Reel], error) {
			r, err := a.house.AddSpool(ctx, in.Body)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(r), nil
		})

	post(a, "/api/spools/{number}/weigh", "weigh", "Correct what is left on a reel by weighing it",
		func(ctx context.Context, in *struct {
			ReelPath
			Body Weighing
		}) (*reply[Reel], error) {
			r, err := a.house.Weigh(ctx, in.Number, in.Body)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(r), nil
		})

	post(a, "/api/spools/{number}/retire", "retire-spool", "Take a reel out of stock",
		func(ctx context.Context, in *ReelPath) (*done, error) {
			if err := a.house.RetireSpool(ctx, in.Number); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})

	change(a, "load", "Say which reel hangs on a printer now", a.house.Load)
	change(a, "eyes", "Answer a call to a first layer: good, or stop", a.house.Eyes)

	get(a, "/api/printers/{name}/expect", "expect", "What an estimate means on a printer, by the runs so far",
		func(ctx context.Context, in *struct {
			PrinterPath
			EstimateS float64 `query:"estimate_s" required:"true" minimum:"1" maximum:"1e8"`
			Material  string  `query:"material" maxLength:"100"`
			NozzleMM  float64 `query:"nozzle_mm"`
		}) (*reply[Expected], error) {
			x, err := a.house.Expect(ctx, in.Name, Expect{EstimateS: in.EstimateS, Material: in.Material, NozzleMM: in.NozzleMM})
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(x), nil
		})

	get(a, "/api/printers/{name}/machine", "machine", "What files for a printer are read with and checked against",
		func(ctx context.Context, in *PrinterPath) (*reply[Machine], error) {
			m, err := a.house.Machine(ctx, in.Name)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(m), nil
		})

	get(a, "/api/surfaces", "surfaces", "Which plate surfaces suit which material",
		func(ctx context.Context, _ *struct{}) (*reply[[]Surface], error) {
			list, err := a.house.Surfaces(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			for i := range list {
				list[i].Suits = listed(list[i].Suits)
			}
			return answer(listed(list)), nil
		})

	post(a, "/api/stock", "set-stock", "Rules for reels that may not last, and for looks at first layers",
		func(ctx context.Context, in *struct{ Body StockRules }) (*done, error) {
			if err := a.house.SetStock(ctx, in.Body); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
}

// sheet is the page of reel numbers to print and cut out: the number in large
// type, so that it is read from across the room.
var sheet = template.Must(template.New("sheet").Parse(`<!doctype html>
<html lang="en"><meta charset="utf-8"><title>Reel numbers</title>
<meta name="viewport" content="width=device-width">
<style>
@page { margin: 10mm }
body { font-family: sans-serif; margin: 0; color: #000; background: #fff }
main { display: grid; grid-template-columns: repeat(2, 1fr) }
section { border: 1px dashed #000; padding: 5mm; min-height: 55mm; break-inside: avoid; overflow: hidden }
b { display: block; font-size: 90pt; line-height: 1 }
p { margin: 2mm 0 0; font-size: 14pt }
</style>
<main>
{{range .}}<section><b>{{.Number}}</b><p>{{.Material}} {{.Colour}}, {{.DiameterMM}} mm</p>{{with .TareG}}<p>empty reel {{.}} g</p>{{end}}</section>
{{else}}<p>No reel in stock has a number yet.</p>
{{end}}</main></html>
`))

// reelSheet serves the sheet.
func (a *api) reelSheet(w http.ResponseWriter, r *http.Request) {
	list, err := a.house.Spools(r.Context(), false)
	if err != nil {
		problemOf(err).write(w)
		return
	}
	var numbered []Reel
	for _, s := range list {
		if s.Number > 0 {
			numbered = append(numbered, s)
		}
	}
	var b strings.Builder
	if err := sheet.Execute(&b, numbered); err != nil {
		problemOf(err).write(w)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	// Its one style stands in the page itself.
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
	_, _ = w.Write([]byte(b.String()))
}
