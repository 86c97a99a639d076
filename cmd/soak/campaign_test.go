package main

import (
	"strings"
	"testing"
)

// A short campaign in memory: the promises hold on it.
func TestShortCampaign(t *testing.T) {
	if testing.Short() {
		t.Skip("a campaign takes seconds")
	}
	var log strings.Builder
	c := &campaign{seed: 7, lines: 25000, printers: 4, stuck: 1 << 40, log: &log}
	c.run(t)
	if c.report.failures > 0 {
		t.Error(log.String())
	}
	if s := c.report.sum(); s.runs == 0 || s.finished == 0 || s.lines < 25000/2 {
		t.Errorf("%+v", s)
	}
}
