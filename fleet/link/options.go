package link

import (
	"log/slog"
	"time"
)

// Port is a serial line or what stands in for one. Read may return 0, nil when
// nothing came for a while. The link reads from one goroutine and writes from
// one at a time; it does not write after Close.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Close() error
}

// Options say how a link talks. The zero value is a good choice.
type Options struct {
	// WindowBytes is how many bytes may be ahead of the last ok. 0: learn,
	// starting one line at a time. Less than a line is one line at a time.
	// A firmware that was seen not to check line numbers always gets one line
	// at a time.
	WindowBytes int
	// ReportEvery is how often temperatures are asked for, by automatic
	// reports where the firmware has them. 0: every 2 s; negative: never.
	ReportEvery time.Duration
	// AuditEvery is how often, while streaming, the reported position is
	// compared with what was sent; it is at layer ends, too, where the planner
	// would not run dry. 0: every 5 s; negative: only after errors and at the
	// end. The query does not empty the planner.
	AuditEvery time.Duration
	// ListenFor is how long a freshly opened port is listened to before
	// anything is said: opening resets many boards. 0: 1.5 s.
	ListenFor time.Duration
	// OpenFor is how long the opening may take without an answer. 0: 30 s.
	OpenFor time.Duration
	// Baud is the line's rate, for LineShare; 0 when not known.
	Baud int
	// Now is real time; nil: time.Now.
	Now func() time.Time
	// Log takes what a person may want to read later; nil: nothing.
	Log *slog.Logger
}

func (o Options) withDefaults() Options {
	if o.ReportEvery == 0 {
		o.ReportEvery = 2 * time.Second
	}
	if o.AuditEvery == 0 {
		o.AuditEvery = 5 * time.Second
	}
	if o.ListenFor <= 0 {
		o.ListenFor = 1500 * time.Millisecond
	}
	if o.OpenFor <= 0 {
		o.OpenFor = 30 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}
