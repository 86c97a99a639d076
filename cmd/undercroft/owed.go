package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"os"
	"slices"
	"time"

	"undercroft/fleet"
	"undercroft/gcode"
	"undercroft/queue"
	"undercroft/queue/store"
)

// debts keeps in the store which targets of ours a machine may still have.
type debts struct {
	store *store.Store
	log   *slog.Logger
}

const debtPatience = 5 * time.Second

func owedKey(printer string) string { return store.KeyOwed + "/" + printer }

// KeepOwed stores what is owed; what cannot be stored is known until the daemon ends.
func (d debts) KeepOwed(printer string, owed map[string][]float64) {
	text := ""
	if len(owed) > 0 {
		b, err := json.Marshal(owed)
		if err != nil {
			d.log.Warn("targets that a machine may still have could not be stored", "printer", printer, "err", err)
			return
		}
		text = string(b)
	}
	ctx, cancel := context.WithTimeout(context.Background(), debtPatience)
	defer cancel()
	if err := d.store.SetSetting(ctx, owedKey(printer), text); err != nil {
		d.log.Warn("targets that a machine may still have could not be stored", "printer", printer, "err", err)
	}
}

// owedHeat lists, for each of the printers, the targets, by heater, that it may
// have from us: those that were kept when its link was lost, and, where a run was
// open when the daemon died, those that the run's file sets. A machine that is
// found with one of them was left hot by us, not by somebody at its panel.
func owedHeat(ctx context.Context, s *store.Store, printers []string, interrupted []queue.Run) (map[string]map[string][]float64, error) {
	owed := map[string]map[string][]float64{}
	for _, name := range printers {
		text, err := s.Setting(ctx, owedKey(name))
		if err != nil {
			return nil, err
		}
		var kept map[string][]float64
		// What is not understood is a stranger's, and a person is asked.
		if text != "" && json.Unmarshal([]byte(text), &kept) == nil {
			owed[name] = kept
		}
	}
	for _, run := range interrupted {
		job, err := s.Job(ctx, run.JobID)
		if err != nil {
			return nil, err
		}
		targets, err := targetsOf(s.FilePath(job.File.SHA256))
		if errors.Is(err, os.ErrNotExist) {
			continue // nothing is known then, and a person is asked
		}
		if err != nil {
			return nil, err
		}
		if owed[run.Printer] == nil {
			owed[run.Printer] = map[string][]float64{}
		}
		for heater, cs := range targets {
			owed[run.Printer][heater] = append(owed[run.Printer][heater], cs...)
		}
	}
	return owed, nil
}

// targetsOf lists the temperatures, in °C, that a file sets, by heater: "T0",
// "T1", …, "B", "C".
func targetsOf(path string) (map[string][]float64, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	targets := map[string][]float64{}
	tool := 0
	lines := gcode.NewLines(f)
	var parser gcode.Parser
	for {
		line, err := lines.Next()
		if errors.Is(err, io.EOF) {
			return targets, nil
		}
		if err != nil {
			return nil, err
		}
		for parser.Reset(line); ; {
			if more, err := parser.Next(); !more || err != nil {
				break // what is not understood sets no temperature
			}
			heater, celsius := fleet.Target(&parser.Command, &tool)
			if celsius > 0 && !slices.Contains(targets[heater], celsius) && len(targets[heater]) < 64 {
				targets[heater] = append(targets[heater], celsius)
			}
		}
	}
}
