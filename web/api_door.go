package web

import (
	"context"
	"net/http"
	"net/url"
	"time"

	"undercroft/web/door"
)

// Me is who asks, so that a page shows what they may do and programs can try
// their key.
type Me struct {
	Name string `json:"name"`
	Role string `json:"role" enum:"watch,operate"`
	How  string `json:"how" doc:"session: a person at a browser; key: a program; here: this computer, without a credential"`
	Afar bool   `json:"afar" doc:"from another computer: what heats or moves a machine wants to be confirmed"`
}

func (a *api) doorRoutes() {
	get(a, "/api/me", "me", "Who asks, and what they may do",
		func(ctx context.Context, _ *struct{}) (*reply[Me], error) {
			c := door.From(ctx)
			return answer(Me{Name: c.Name, Role: string(c.Role), How: c.How, Afar: c.Afar}), nil
		})

	get(a, "/api/audit", "audit", "Who asked for which change, newest first; for those who may operate",
		func(ctx context.Context, in *struct {
			Limit  int       `query:"limit" minimum:"1" maximum:"1000" default:"100"`
			Before time.Time `query:"before" doc:"only what was asked for before this time: the at of the last entry of the page before"`
		}) (*reply[[]door.Entry], error) {
			if door.From(ctx).Role != door.Operate {
				return nil, problem(http.StatusForbidden, "Who did what is for those who may operate.")
			}
			if a.audit == nil {
				return answer([]door.Entry{}), nil
			}
			entries, err := a.audit.Newest(in.Limit, in.Before)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(entries)), nil
		})
}

// ConfirmHeader names the machine in a request from afar that heats or moves
// it, so that nobody does so by a slip of the thumb. Names are percent-encoded.
const ConfirmHeader = "Undercroft-Confirm"

// Confirm is part of the input of what heats or moves a machine. It is exported
// for the API library, which fills embedded structs only then.
type Confirm struct {
	Confirm string `header:"Undercroft-Confirm" maxLength:"400" doc:"from another computer: the printer's name, percent-encoded; whoever sends it has seen to it that nobody's hands are in the machine"`
}

// confirmed refuses what would heat or move a machine, asked for from afar, until
// the request names the machine.
func (c Confirm) confirmed(ctx context.Context, printer string) error {
	if !door.From(ctx).Afar {
		return nil
	}
	if name, err := url.PathUnescape(c.Confirm); err == nil && name == printer {
		return nil
	}
	p := problem(http.StatusPreconditionRequired, "This lets "+printer+" heat and move, and you are not beside it. Hot parts burn and moving parts pinch: be sure that nobody's hands are in it. Then confirm by its name.")
	p.Kind = "wants-confirmation"
	return p
}
