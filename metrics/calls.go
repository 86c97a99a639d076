package metrics

import "github.com/prometheus/client_golang/prometheus"

// Channel is one way on which people are called.
type Channel struct {
	Name    string
	Told    int64 // calls that were taken, since the daemon started
	Failed  int64 // tries that failed
	Waiting int   // calls that are yet to be delivered
}

type calls struct{ told, failed, waiting *prometheus.Desc }

func newCalls() *calls {
	return &calls{
		told:    desc("calls_delivered_total", "Calls to people that were taken, by channel.", "channel"),
		failed:  desc("calls_failed_total", "Tries to call people that failed, by channel.", "channel"),
		waiting: desc("calls_waiting", "Calls that are yet to be delivered, by channel.", "channel"),
	}
}

func (c *calls) describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.told, c.failed, c.waiting} {
		ch <- d
	}
}

func (c *calls) collect(s Sample, out emit) {
	for i := range s.Channels {
		ch := &s.Channels[i]
		out.counter(c.told, float64(ch.Told), ch.Name)
		out.counter(c.failed, float64(ch.Failed), ch.Name)
		out.gauge(c.waiting, float64(ch.Waiting), ch.Name)
	}
}
