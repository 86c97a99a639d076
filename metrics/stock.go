package metrics

import "github.com/prometheus/client_golang/prometheus"

// Stock is the reels that there are.
type Stock struct {
	Reels     int
	Loaded    int
	UnknownG  int // reels of which nobody has said how much is left
	Remaining float64
}

// Build is how far one build is.
type Build struct {
	Name      string
	Good      int
	Wanted    int
	LeftHours float64
	Due       float64 // Unix time; 0: no date
}

// maxBuilds bounds the label: the newest builds are told.
const maxBuilds = 16

type stock struct {
	reels, loaded, unknown, remaining *prometheus.Desc
	good, wanted, left, due           *prometheus.Desc
}

func newStock() *stock {
	return &stock{
		reels:     desc("reels", "Reels in stock, loaded ones included."),
		loaded:    desc("reels_loaded", "Reels that are on a printer."),
		unknown:   desc("reels_unweighed", "Reels of which nobody has said how much is left."),
		remaining: desc("reels_remaining_grams", "Filament on all reels whose amount is known."),
		good:      desc("build_good_pieces", "Good pieces of a build.", "build"),
		wanted:    desc("build_wanted_pieces", "Pieces that a build wants.", "build"),
		left:      desc("build_remaining_seconds", "Estimated machine time that a build still wants.", "build"),
		due:       desc("build_due_timestamp_seconds", "When a build is due, in house time.", "build"),
	}
}

func (s *stock) describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{s.reels, s.loaded, s.unknown, s.remaining, s.good, s.wanted, s.left, s.due} {
		ch <- d
	}
}

func (s *stock) collect(x Sample, out emit) {
	out.gauge(s.reels, float64(x.Stock.Reels))
	out.gauge(s.loaded, float64(x.Stock.Loaded))
	out.gauge(s.unknown, float64(x.Stock.UnknownG))
	out.gauge(s.remaining, x.Stock.Remaining)
	for _, b := range x.Builds[max(0, len(x.Builds)-maxBuilds):] {
		out.gauge(s.good, float64(b.Good), b.Name)
		out.gauge(s.wanted, float64(b.Wanted), b.Name)
		out.gauge(s.left, b.LeftHours*3600, b.Name)
		if b.Due > 0 {
			out.gauge(s.due, b.Due, b.Name)
		}
	}
}
