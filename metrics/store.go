package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Store is how the database and its disk are.
type Store struct {
	Writes        uint64                   // transactions
	WritesTook    time.Duration            // all of them together
	WritesWithin  map[time.Duration]uint64 // how many took at most so long
	LayersWaiting int                      // layer records that are not durable yet
	LayersDropped uint64
	Bytes         int64
	DiskFree      uint64
	DiskSize      uint64 // 0: the system does not say
}

type store struct {
	writes, waiting, dropped, bytes, free, size *prometheus.Desc
}

func newStore() *store {
	return &store{
		writes:  desc("store_transaction_duration_seconds", "How long writing transactions took, the wait for the writer included."),
		waiting: desc("store_waiting_layer_records", "Layer records that are not durable yet."),
		dropped: desc("store_dropped_layer_records_total", "Layer records that were given up because too many waited for the disk."),
		bytes:   desc("store_database_bytes", "Size of the database and its log."),
		free:    desc("store_disk_free_bytes", "What the disk of the data folder still takes."),
		size:    desc("store_disk_size_bytes", "Size of the disk of the data folder."),
	}
}

func (s *store) describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{s.writes, s.waiting, s.dropped, s.bytes, s.free, s.size} {
		ch <- d
	}
}

func (s *store) collect(x Sample, out emit) {
	k := &x.Store
	out.histogram(s.writes, k.Writes, k.WritesTook, k.WritesWithin)
	out.gauge(s.waiting, float64(k.LayersWaiting))
	out.counter(s.dropped, float64(k.LayersDropped))
	out.gauge(s.bytes, float64(k.Bytes))
	if k.DiskSize > 0 {
		out.gauge(s.free, float64(k.DiskFree))
		out.gauge(s.size, float64(k.DiskSize))
	}
}
