package main

import (
	"context"
	"errors"
	"io"
	"os"
	"slices"
	"strconv"

	"undercroft/gcode"
	"undercroft/queue"
	"undercroft/queue/store"
)

// owedHeat lists, for each printer whose run was open when the daemon died, the
// targets that the run's file sets, by heater. A machine that is found with one
// of them was left hot by us, not by somebody at its panel.
func owedHeat(ctx context.Context, s *store.Store, interrupted []queue.Run) (map[string]map[string][]float64, error) {
	owed := map[string]map[string][]float64{}
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
		owed[run.Printer] = targets
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
			heater, celsius := target(&parser.Command, &tool)
			if celsius > 0 && !slices.Contains(targets[heater], celsius) && len(targets[heater]) < 64 {
				targets[heater] = append(targets[heater], celsius)
			}
		}
	}
}

// target reads a command that sets a temperature; celsius is 0 for any other.
func target(c *gcode.Command, tool *int) (heater string, celsius float64) {
	celsius, ok := c.Get('S')
	if !ok {
		celsius, _ = c.Get('R')
	}
	switch {
	case c.Letter == 'T':
		*tool = c.Number
		return "", 0
	case c.Is('M', 104), c.Is('M', 109):
		n := *tool
		if t, given := c.Get('T'); given {
			n = int(t)
		}
		return "T" + strconv.Itoa(n), celsius
	case c.Is('M', 140), c.Is('M', 190):
		return "B", celsius
	case c.Is('M', 141), c.Is('M', 191):
		return "C", celsius
	}
	return "", 0
}
