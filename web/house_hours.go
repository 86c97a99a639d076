package web

import (
	"context"
	"time"
)

// HoursHouse is the part of a House that spreads its hours out over days.
type HoursHouse interface {
	// Windows lists the home hours and the cold hours between two instants.
	Windows(ctx context.Context, from, to time.Time) (Windows, error)
}

// Windows are hours as they come, each clipped to what was asked for, earliest
// first.
type Windows struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Home []Window  `json:"home"`
	Cold []Window  `json:"cold"`
}

// Window is one of them; its end is not in it.
type Window struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// maxWindowDays bounds what is asked for at once.
const maxWindowDays = 92

func (a *api) hoursRoutes() {
	get(a, "/api/windows", "windows", "The home hours and the cold hours of the days to come",
		func(ctx context.Context, in *struct {
			From time.Time `query:"from" required:"true"`
			To   time.Time `query:"to" required:"true"`
		}) (*reply[Windows], error) {
			if limit := in.From.AddDate(0, 0, maxWindowDays); in.To.After(limit) {
				in.To = limit
			}
			w, err := a.house.Windows(ctx, in.From, in.To)
			if err != nil {
				return nil, a.fail(err)
			}
			w.Home, w.Cold = listed(w.Home), listed(w.Cold)
			return answer(w), nil
		})
}
