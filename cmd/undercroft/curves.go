package main

import (
	"context"
	"encoding/json"
	"log/slog"
	"time"

	"undercroft/fleet/watch"
	"undercroft/queue/store"
)

// curves keeps in the store how each heater warms up, and how long a machine homes.
type curves struct {
	store *store.Store
	log   *slog.Logger
}

// heaterNames are those that a firmware reports and that have curves.
var heaterNames = []string{"T", "T0", "T1", "T2", "T3", "T4", "T5", "T6", "T7", "B", "C"}

const curvePatience = 5 * time.Second

// Curves reads what is known of a printer; what cannot be read is learned anew.
func (c curves) Curves(printer string) []watch.Curve {
	ctx, cancel := context.WithTimeout(context.Background(), curvePatience)
	defer cancel()
	var out []watch.Curve
	for _, h := range heaterNames {
		text, err := c.store.Setting(ctx, curveKey(printer, h))
		if err != nil {
			c.log.Warn("how heaters warm up could not be read; it is learned anew", "printer", printer, "err", err)
			return out
		}
		var k watch.Curve
		if text != "" && json.Unmarshal([]byte(text), &k) == nil && k.Heater == h {
			out = append(out, k)
		}
	}
	return out
}

// KeepCurve stores one curve.
func (c curves) KeepCurve(printer string, k watch.Curve) {
	text, err := json.Marshal(k)
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), curvePatience)
		defer cancel()
		err = c.store.SetSetting(ctx, curveKey(printer, k.Heater), string(text))
	}
	if err != nil {
		c.log.Warn("how a heater warms up could not be stored", "printer", printer, "heater", k.Heater, "err", err)
	}
}

func curveKey(printer, heater string) string {
	return store.KeyCurve + "/" + printer + "/" + heater
}
