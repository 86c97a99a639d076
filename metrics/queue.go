package metrics

import "github.com/prometheus/client_golang/prometheus"

// Queue is the build's tally. Counts of what ended come from the store and go
// on over restarts.
type Queue struct {
	Jobs         map[string]int   // by state
	RunsEnded    map[string]int64 // by result
	MishapsOpen  int              // that need a decision
	PiecesGood   int
	PiecesWanted int
	PrintedS     float64 // machine time of ended runs
	LeftS        float64 // estimated machine time of what waits or runs
	UsedG        float64
}

type queue struct {
	o                                                       Options
	jobs, ended, mishaps, good, wanted, printed, left, used *prometheus.Desc
}

func newQueue(o Options) *queue {
	return &queue{
		o:       o,
		jobs:    desc("jobs", "Jobs by state.", "state"),
		ended:   desc("runs_ended_total", "Runs that ended, by result.", "result"),
		mishaps: desc("mishaps_open", "Mishaps that need a decision."),
		good:    desc("pieces_good", "Pieces that a person found good."),
		wanted:  desc("pieces_wanted", "Pieces that all jobs together are to yield."),
		printed: desc("machine_time_seconds_total", "Machine time of the runs that ended."),
		left:    desc("machine_time_remaining_seconds", "Estimated machine time of what waits or runs."),
		used:    desc("filament_used_grams_total", "Filament drawn from spools, estimated."),
	}
}

func (q *queue) describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{q.jobs, q.ended, q.mishaps, q.good, q.wanted, q.printed, q.left, q.used} {
		ch <- d
	}
}

func (q *queue) collect(s Sample, out emit) {
	for _, state := range q.o.JobStates {
		out.gauge(q.jobs, float64(s.Queue.Jobs[state]), state)
	}
	for _, result := range q.o.Results {
		out.counter(q.ended, float64(s.Queue.RunsEnded[result]), result)
	}
	out.gauge(q.mishaps, float64(s.Queue.MishapsOpen))
	out.gauge(q.good, float64(s.Queue.PiecesGood))
	out.gauge(q.wanted, float64(s.Queue.PiecesWanted))
	out.counter(q.printed, s.Queue.PrintedS)
	out.gauge(q.left, s.Queue.LeftS)
	out.counter(q.used, s.Queue.UsedG)
}
