package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Link is the health of one printer's serial line. Counts may start again from
// 0 with a new stream or a reopened port, as counters may.
type Link struct {
	Up        bool // identified and not failed
	Sent      int64
	Accepted  int64
	Executed  int64 // certainly
	Resends   int64
	Timeouts  int64
	Boots     int64
	Starved   time.Duration
	LineShare float64 // of the line's byte rate while streaming
	RTTp50    time.Duration
	RTTp99    time.Duration
}

type link struct {
	up, sent, accepted, executed, resends, timeouts, boots, starved, share, median, tail *prometheus.Desc
}

func newLink() *link {
	return &link{
		up:       desc("link_up", "Whether a printer's firmware answers.", "printer"),
		sent:     desc("link_sent_commands_total", "Commands written to the port.", "printer"),
		accepted: desc("link_accepted_commands_total", "Commands that the firmware acknowledged.", "printer"),
		executed: desc("link_executed_commands_total", "Commands that the firmware has certainly executed.", "printer"),
		resends:  desc("link_resends_total", "Lines that had to be sent again.", "printer"),
		timeouts: desc("link_timeouts_total", "Answers that did not come in time.", "printer"),
		boots:    desc("link_boots_total", "Boot texts seen.", "printer"),
		starved:  desc("link_starved_seconds_total", "Time in which the firmware's planner was believed to run dry.", "printer"),
		share:    desc("link_line_utilization_ratio", "Share of the line's byte rate that is used while streaming.", "printer"),
		median:   desc("link_round_trip_median_seconds", "Median time from a command to its answer.", "printer"),
		tail:     desc("link_round_trip_p99_seconds", "99th percentile of the time from a command to its answer.", "printer"),
	}
}

func (l *link) describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{l.up, l.sent, l.accepted, l.executed, l.resends, l.timeouts, l.boots, l.starved, l.share, l.median, l.tail} {
		ch <- d
	}
}

func (l *link) collect(s Sample, out emit) {
	for _, p := range s.Printers {
		k := p.Link
		out.flag(l.up, k.Up, p.Name)
		out.counter(l.sent, float64(k.Sent), p.Name)
		out.counter(l.accepted, float64(k.Accepted), p.Name)
		out.counter(l.executed, float64(k.Executed), p.Name)
		out.counter(l.resends, float64(k.Resends), p.Name)
		out.counter(l.timeouts, float64(k.Timeouts), p.Name)
		out.counter(l.boots, float64(k.Boots), p.Name)
		out.counter(l.starved, k.Starved.Seconds(), p.Name)
		out.gauge(l.share, k.LineShare, p.Name)
		out.gauge(l.median, k.RTTp50.Seconds(), p.Name)
		out.gauge(l.tail, k.RTTp99.Seconds(), p.Name)
	}
}
