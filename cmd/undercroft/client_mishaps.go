package main

import (
	"fmt"

	"undercroft/web"
)

// mishapsCmd lists what went wrong.
type mishapsCmd struct{ clientFlags }

// Run prints the heights and, below, what happened in words.
func (m *mishapsCmd) Run(c *client) error {
	var all []web.Mishap
	if err := c.get("/api/mishaps", &all); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(all)
	}
	if len(all) == 0 {
		return c.say("No mishaps.")
	}
	now, err := c.now()
	if err != nil {
		return err
	}
	for i, mishap := range all {
		if i > 0 {
			fmt.Fprintln(c.out)
		}
		decided := mishap.Decided
		if decided == "" {
			decided = fmt.Sprintf("open: undercroft decide %d again|give-up, or undercroft reprint --job %d --measured MM,MM,MM", mishap.JobID, mishap.JobID)
		}
		fmt.Fprintf(c.out, "%s  %s on %s: %s, %s\n", clock(mishap.At, now), plain(mishap.Part), plain(mishap.Printer), mishap.Result, plain(mishap.Cause))
		fmt.Fprintf(c.out, "  height    %s mm done of %s mm; the layer up to %s mm was being laid\n",
			height(mishap.CompletedMM), height(mishap.HeightMM), height(mishap.InProgressMM))
		fmt.Fprintf(c.out, "  where     line %d, %s certainly down, %s g spent\n", mishap.Line, count(mishap.Layer, "layer", "layers"), height(mishap.GramsSpent))
		fmt.Fprintf(c.out, "  what      %s\n", plain(mishap.Text))
		fmt.Fprintf(c.out, "  decision  %s\n", plain(decided))
	}
	return nil
}

// height is a figure for which zero is a value, not a gap.
func height(mm float64) string {
	if mm == 0 {
		return "0"
	}
	return figure(mm)
}
