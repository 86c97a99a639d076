package main

import (
	"undercroft/web"
)

// hoursCmd shows or sets the home hours and the cold hours.
type hoursCmd struct {
	clientFlags
	Home *string `placeholder:"TIMES" help:"When somebody can clear a plate, e.g. 'Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00', or 'none'."`
	Cold *string `placeholder:"TIMES" help:"When nothing may be hot, e.g. 'daily 01:00-05:00', or 'none'."`
}

// Run keeps the one that was not given; at the first time both must be.
func (h *hoursCmd) Run(c *client) error {
	var v web.View
	if err := c.get("/api/view", &v); err != nil {
		return err
	}
	if h.Home != nil || h.Cold != nil {
		req := web.HoursRequest{Home: v.Hours.Home, Cold: v.Hours.Cold}
		if h.Home != nil {
			req.Home = *h.Home
		}
		if h.Cold != nil {
			req.Cold = *h.Cold
		}
		if req.Home == "" || req.Cold == "" {
			return exitf(exitUsage, "give both the first time: --home and --cold; 'none' is an answer")
		}
		if err := c.post("/api/hours", req, nil); err != nil {
			return err
		}
		if err := c.get("/api/view", &v); err != nil {
			return err
		}
	}
	if c.json {
		return c.printJSON(v.Hours)
	}
	if !v.Hours.Answered {
		return c.say("Not answered yet: nothing starts before.\nundercroft hours --home 'Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00' --cold 'daily 01:00-05:00'\n'none' is an answer to either.")
	}
	now := "nobody is home, as far as these say"
	if v.Hours.HomeNow {
		now = "somebody is home, as far as these say"
	}
	if v.Hours.ColdNow {
		now += "; nothing may be hot"
	}
	return c.say("home hours  %s\ncold hours  %s\nnow         %s, %s", plain(v.Hours.Home), plain(v.Hours.Cold), v.At.Format("Mon 15:04"), now)
}
