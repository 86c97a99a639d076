// Package metrics tells Prometheus about the house: one look at the Source a
// scrape, one file a subject. Names follow the Prometheus conventions: base
// units, _total for what only grows, _info for facts, ratios from 0 to 1, and no
// label whose values are not bounded by the configuration.
package metrics

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Source is what the daemon tells of itself. Sample is called once a scrape,
// from any goroutine.
type Source interface {
	Sample(ctx context.Context) (Sample, error)
}

// Sample is the house at one instant.
type Sample struct {
	Printers []Printer
	Circuits []Circuit
	Queue    Queue
	Stock    Stock
	Builds   []Build
	Store    Store
	Watchers int // live connections of pages
	Channels []Channel
}

// Options are what does not change while the daemon runs.
type Options struct {
	Version     string
	Phases      []string // every phase that a printer can have
	PlateStates []string
	JobStates   []string
	Results     []string // every way in which a run can end
	Log         *slog.Logger
}

// subject describes and collects the metrics of one file.
type subject interface {
	describe(chan<- *prometheus.Desc)
	collect(Sample, emit)
}

// house is the one collector: all subjects see the same Sample.
type house struct {
	src      Source
	log      *slog.Logger
	subjects []subject
	read     *prometheus.Desc
}

// sampleTime bounds one look; Prometheus gives up after 10 s by default.
const sampleTime = 5 * time.Second

// Register puts everything on reg.
func Register(reg prometheus.Registerer, src Source, o Options) error {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	h := &house{
		src: src, log: o.Log,
		subjects: []subject{newFleet(o), newLink(), newQueue(o), newStock(), newPower(), newStore(), newWatching(), newCalls()},
		read:     desc("sample_success", "Whether the daemon could read its own state for this scrape."),
	}
	return errors.Join(reg.Register(h), registerProcess(reg, o))
}

// Handler serves reg for a scraper.
func Handler(reg *prometheus.Registry, log *slog.Logger) http.Handler {
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		ErrorLog:            slog.NewLogLogger(log.Handler(), slog.LevelError),
		ErrorHandling:       promhttp.ContinueOnError,
		MaxRequestsInFlight: 4,
	})
}

// Describe follows prometheus.Collector.
func (h *house) Describe(ch chan<- *prometheus.Desc) {
	ch <- h.read
	for _, s := range h.subjects {
		s.describe(ch)
	}
}

// Collect follows prometheus.Collector.
func (h *house) Collect(ch chan<- prometheus.Metric) {
	out := emit{ch}
	ctx, cancel := context.WithTimeout(context.Background(), sampleTime)
	defer cancel()
	s, err := h.src.Sample(ctx)
	out.flag(h.read, err == nil)
	if err != nil {
		h.log.Error("the house could not be read for a scrape", "err", err)
		return
	}
	for _, sub := range h.subjects {
		sub.collect(s, out)
	}
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("undercroft_"+name, help, labels, nil)
}

// emit sends one metric.
type emit struct{ ch chan<- prometheus.Metric }

func (e emit) send(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels []string) {
	for i, l := range labels {
		labels[i] = strings.ToValidUTF8(l, "\ufffd") // firmware names come over a noisy line
	}
	m, err := prometheus.NewConstMetric(d, kind, v, labels...)
	if err != nil {
		m = prometheus.NewInvalidMetric(d, err)
	}
	e.ch <- m
}

func (e emit) gauge(d *prometheus.Desc, v float64, labels ...string) {
	e.send(d, prometheus.GaugeValue, v, labels)
}

func (e emit) counter(d *prometheus.Desc, v float64, labels ...string) {
	e.send(d, prometheus.CounterValue, v, labels)
}

// histogram tells a distribution that was counted elsewhere.
func (e emit) histogram(d *prometheus.Desc, n uint64, sum time.Duration, within map[time.Duration]uint64) {
	buckets := make(map[float64]uint64, len(within))
	for bound, k := range within {
		buckets[bound.Seconds()] = k
	}
	m, err := prometheus.NewConstHistogram(d, n, sum.Seconds(), buckets)
	if err != nil {
		m = prometheus.NewInvalidMetric(d, err)
	}
	e.ch <- m
}

func (e emit) flag(d *prometheus.Desc, yes bool, labels ...string) {
	v := 0.0
	if yes {
		v = 1
	}
	e.gauge(d, v, labels...)
}

// oneOf tells which of all is true now: one series a value, so that a state that
// was left is seen to be left.
func (e emit) oneOf(d *prometheus.Desc, all []string, now string, labels ...string) {
	for _, s := range all {
		e.flag(d, s == now, append(append([]string{}, labels...), s)...)
	}
}

func (e emit) time(d *prometheus.Desc, t time.Time, labels ...string) {
	if !t.IsZero() {
		e.gauge(d, float64(t.UnixMilli())/1000, labels...)
	}
}
