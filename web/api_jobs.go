package web

import (
	"context"
	"net/url"
)

// JobPath names a job in an address; exported like PrinterPath.
type JobPath struct {
	ID int64 `path:"id" minimum:"1" doc:"the job's number"`
}

func (a *api) jobRoutes() {
	get(a, "/api/jobs", "jobs", "Jobs in queue order",
		func(ctx context.Context, in *struct {
			Page
			All bool `query:"all" doc:"the ended ones too"`
		}) (*paged[Job], error) {
			jobs, err := a.house.Jobs(ctx, in.All)
			if err != nil {
				return nil, a.fail(err)
			}
			query := url.Values{}
			if in.All {
				query.Set("all", "true")
			}
			return cut(in.Page, jobs, func(j *Job) int64 { return j.ID }, "/api/jobs", query), nil
		})

	get(a, "/api/jobs/{id}/why", "why", "For each printer, what keeps it from taking the job",
		func(ctx context.Context, in *JobPath) (*reply[Why], error) {
			why, err := a.house.Why(ctx, in.ID)
			if err != nil {
				return nil, a.fail(err)
			}
			why.Printers = listed(why.Printers)
			for i := range why.Printers {
				why.Printers[i].Obstacles = listed(why.Printers[i].Obstacles)
			}
			return answer(why), nil
		})

	for _, c := range []struct {
		verb, summary string
		do            func(context.Context, int64) error
	}{
		{"hold", "Keep a queued job back", a.house.Hold},
		{"release", "Let a held job go on", a.house.Release},
		{"cancel", "Take a job out of the queue for good", a.house.Cancel},
	} {
		post(a, "/api/jobs/{id}/"+c.verb, c.verb, c.summary,
			func(ctx context.Context, in *JobPath) (*done, error) {
				if err := c.do(ctx, in.ID); err != nil {
					return nil, a.fail(err)
				}
				return nil, nil
			})
	}

	post(a, "/api/jobs/{id}/decide", "decide", "After a mishap: print it again, or give it up",
		func(ctx context.Context, in *struct {
			JobPath
			Body Decision
		}) (*done, error) {
			if err := a.house.Decide(ctx, in.ID, in.Body); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})

	post(a, "/api/jobs/{id}/reprint", "reprint", "Print only what is missing above a height: figures, and on confirmation the job",
		func(ctx context.Context, in *struct {
			JobPath
			Body ReprintRequest
		}) (*reply[Reprint], error) {
			r, err := a.house.Reprint(ctx, in.ID, in.Body)
			if err != nil {
				return nil, a.fail(err)
			}
			r.Heights, r.Remarks, r.Ways = listed(r.Heights), listed(r.Remarks), listed(r.Ways)
			return answer(r), nil
		})

	post(a, "/api/jobs/{id}/joined", "joined", "Say of a remainder that it is joined and has cured: then its piece counts",
		func(ctx context.Context, in *struct {
			JobPath
			Body Joined
		}) (*done, error) {
			if err := a.house.Joined(ctx, in.ID, in.Body); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
}
