package metrics

import (
	"errors"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// registerProcess adds what the daemon itself needs: descriptors (serial ports
// want low ones), memory, goroutines, and which build it is.
func registerProcess(reg prometheus.Registerer, o Options) error {
	build := prometheus.NewGaugeVec(prometheus.GaugeOpts{
		Name: "undercroft_build_info", Help: "Which build of the daemon runs; always 1.",
	}, []string{"version", "go"})
	build.WithLabelValues(o.Version, runtime.Version()).Set(1)
	return errors.Join(
		reg.Register(build),
		reg.Register(collectors.NewGoCollector()),
		reg.Register(collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})),
	)
}

type watching struct{ watchers *prometheus.Desc }

func newWatching() *watching {
	return &watching{desc("live_watchers", "Pages that are connected now.")}
}

func (w *watching) describe(ch chan<- *prometheus.Desc) { ch <- w.watchers }

func (w *watching) collect(s Sample, out emit) { out.gauge(w.watchers, float64(s.Watchers)) }
