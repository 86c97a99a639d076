package web

import (
	"context"
	"net/url"
)

func (a *api) viewRoutes() {
	get(a, "/api/view", "view", "Everything the pages show, at one instant",
		func(ctx context.Context, _ *struct{}) (*reply[View], error) {
			v, err := a.house.View(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(tidy(v)), nil
		})

	get(a, "/api/mishaps", "mishaps", "Runs that went wrong, newest first, with their heights",
		func(ctx context.Context, in *Page) (*paged[Mishap], error) {
			m, err := a.house.Mishaps(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			return cut(*in, m, func(m *Mishap) int64 { return m.ID }, "/api/mishaps", url.Values{}), nil
		})

	post(a, "/api/hours", "set-hours", "Say when somebody is home and when nothing may be hot",
		func(ctx context.Context, in *struct{ Body HoursRequest }) (*done, error) {
			if err := a.house.SetHours(ctx, Hours{Home: in.Body.Home, Cold: in.Body.Cold}); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
}

// HoursRequest answers both questions of the first start; 'none' is an answer.
type HoursRequest struct {
	Home string `json:"home" minLength:"1" maxLength:"1000" doc:"times at which somebody can clear a plate, e.g. 'Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00', or 'none'"`
	Cold string `json:"cold" minLength:"1" maxLength:"1000" doc:"times at which nothing may be hot, e.g. 'daily 01:00-05:00', or 'none'"`
}

// listed makes an empty list of nothing: readers iterate, they do not ask first.
func listed[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

func tidy(v View) View {
	v.Printers, v.Jobs = listed(v.Printers), listed(v.Jobs)
	v.Circuits, v.Mishaps = listed(v.Circuits), listed(v.Mishaps)
	v.Calls.Recent, v.Calls.Troubles = listed(v.Calls.Recent), listed(v.Calls.Troubles)
	return v
}
