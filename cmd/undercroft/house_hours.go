package main

import (
	"context"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// Windows lists the hours between two instants, in the house's zone.
func (h *house) Windows(_ context.Context, from, to time.Time) (web.Windows, error) {
	hours := h.dispatch.View().Hours
	from, to = from.In(h.zone()), to.In(h.zone())
	return web.Windows{From: from, To: to, Home: windowsOf(hours.Home, from, to), Cold: windowsOf(hours.Cold, from, to)}, nil
}

func windowsOf(s queue.Schedule, from, to time.Time) []web.Window {
	var out []web.Window
	for at := from; at.Before(to); {
		next := s.NextChange(at)
		if next.IsZero() || next.After(to) {
			next = to
		}
		if s.Contains(at) {
			out = append(out, web.Window{From: at, To: next})
		}
		at = next
	}
	return out
}
