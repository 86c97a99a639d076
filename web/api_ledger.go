package web

import (
	"bytes"
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"
)

// BuildPath names a build in an address; exported like PrinterPath.
type BuildPath struct {
	Build string `query:"build" maxLength:"200" doc:"the build's name; empty: what belongs to none"`
}

// body carries a request that is nothing but its body.
type body[T any] struct{ Body T }

// amend registers an operation on the ledger that has nothing to answer.
func amend[T any](a *api, path, id, summary string, do func(context.Context, T) error) {
	post(a, path, id, summary, func(ctx context.Context, in *body[T]) (*done, error) {
		if err := do(ctx, in.Body); err != nil {
			return nil, a.fail(err)
		}
		return nil, nil
	})
}

func (a *api) ledgerRoutes() {
	h := a.house
	get(a, "/api/builds", "builds", "Every build with its progress",
		func(ctx context.Context, _ *struct{}) (*reply[[]Build], error) {
			list, err := h.Builds(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			for i := range list {
				list[i].Assemblies = listed(list[i].Assemblies)
			}
			return answer(listed(list)), nil
		})
	get(a, "/api/build", "build", "One build: assemblies, parts, ways, and how far each is",
		func(ctx context.Context, in *BuildPath) (*reply[Build], error) {
			b, err := h.Build(ctx, in.Build)
			if err != nil {
				return nil, a.fail(err)
			}
			b.Assemblies = listed(b.Assemblies)
			for i := range b.Assemblies {
				b.Assemblies[i].Parts = listed(b.Assemblies[i].Parts)
			}
			return answer(b), nil
		})
	amend(a, "/api/builds", "create-build", "Begin a build", h.CreateBuild)
	amend(a, "/api/build", "change-build", "Give a build a priority, dates, a note", h.ChangeBuild)
	amend(a, "/api/assembly", "change-assembly", "Give an assembly a date", h.ChangeAssembly)
	amend(a, "/api/part", "change-part", "Say how many of a part are wanted, when, and which is its mirror image", h.ChangePart)
	amend(a, "/api/way", "change-way", "Note a way of making a part", h.ChangeWay)
	amend(a, "/api/order", "order", "Put jobs before the others of their priority", h.Order)
	post(a, "/api/bad", "bad", "A good piece failed a later look: its part is open again",
		func(ctx context.Context, in *body[BadRequest]) (*reply[[]Piece], error) {
			list, err := h.Bad(ctx, in.Body)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(list)), nil
		})
	post(a, "/api/by-hand", "add-by-hand", "Queue what a person makes on a printer without a link",
		func(ctx context.Context, in *body[ByHandRequest]) (*reply[Added], error) {
			added, err := h.AddByHand(ctx, in.Body)
			if err != nil {
				return nil, a.fail(err)
			}
			added.JobIDs = listed(added.JobIDs)
			return answer(added), nil
		})
	post(a, "/api/jobs/{id}/again", "again", "Queue another job like this one",
		func(ctx context.Context, in *JobPath) (*reply[NewJob], error) {
			id, err := h.Again(ctx, in.ID)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(NewJob{id}), nil
		})
	post(a, "/api/jobs/{id}/confine", "confine", "Say on which printers a job may run",
		func(ctx context.Context, in *struct {
			JobPath
			Body ConfineRequest
		}) (*done, error) {
			if err := h.Confine(ctx, in.ID, in.Body); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
	post(a, "/api/jobs/{id}/begin", "begin", "A person has started the job on a printer without a link",
		func(ctx context.Context, in *struct {
			JobPath
			Body BeginRequest
		}) (*done, error) {
			if err := h.Begin(ctx, in.ID, in.Body.Printer); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
	for _, c := range []struct {
		verb, summary string
		do            func(context.Context, int64, Yielded) error
	}{
		{"yield", "Say which pieces of a finished job are good", h.Yield},
		{"end", "What a person had begun has ended: say which pieces are good", h.End},
	} {
		post(a, "/api/jobs/{id}/"+c.verb, c.verb, c.summary,
			func(ctx context.Context, in *struct {
				JobPath
				Body Yielded
			}) (*done, error) {
				if err := c.do(ctx, in.ID, in.Body); err != nil {
					return nil, a.fail(err)
				}
				return nil, nil
			})
	}
	a.partsList()
}

// NewJob is the number of a job that was made.
type NewJob struct {
	Job int64 `json:"job"`
}

// BeginRequest names the printer without a link.
type BeginRequest struct {
	Printer string `json:"printer" minLength:"1" maxLength:"100"`
}

// maxPartsBytes bounds a list of parts: some 20,000 long lines.
const maxPartsBytes = 4 << 20

func (a *api) partsList() {
	type in struct {
		BuildPath
		TakeGood bool `query:"take_good" doc:"take the good lines although others are bad"`
		DryRun   bool `query:"dry_run" doc:"only say what would be done"`
		RawBody  []byte
	}
	csv := map[string]*huma.MediaType{"text/csv": {Schema: &huma.Schema{Type: huma.TypeString}}}
	huma.Register(a.register, huma.Operation{
		OperationID: "parts-in", Method: http.MethodPost, Path: "/api/parts.csv", MaxBodyBytes: maxPartsBytes,
		Summary:     "Take a list of parts as CSV (RFC 4180)",
		Description: "Any order of columns. Nothing is taken while a line is bad, unless take_good is set.",
		RequestBody: &huma.RequestBody{Required: true, Content: csv},
	}, func(ctx context.Context, in *in) (*reply[PartsReport], error) {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), changeTime)
		defer cancel()
		r, err := a.house.PartsIn(ctx, PartsRequest{Build: in.Build, TakeGood: in.TakeGood, DryRun: in.DryRun}, bytes.NewReader(in.RawBody))
		if err != nil {
			return nil, a.fail(err)
		}
		r.Columns, r.Bad = listed(r.Columns), listed(r.Bad)
		return answer(r), nil
	})
	type out struct {
		ContentType  string `header:"Content-Type"`
		CacheControl string `header:"Cache-Control"`
		Body         []byte
	}
	huma.Register(a.register, huma.Operation{
		OperationID: "parts-out", Method: http.MethodGet, Path: "/api/parts.csv", Summary: "The parts of a build as CSV, in columns that parts-in takes",
		Responses: map[string]*huma.Response{"200": {Description: "OK", Content: csv}},
	}, func(ctx context.Context, in *BuildPath) (*out, error) {
		var b bytes.Buffer
		if err := a.house.PartsOut(ctx, in.Build, &b); err != nil {
			return nil, a.fail(err)
		}
		return &out{"text/csv; charset=utf-8", "no-store", b.Bytes()}, nil
	})
}
