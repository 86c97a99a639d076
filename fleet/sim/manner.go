package sim

import "time"

// repeatStyle is what a line gets whose number was there already.
type repeatStyle int

const (
	repeatSilent  repeatStyle = iota // nothing at all for the last two, an error for older ones
	repeatRefused                    // an error, as for any wrong number
	repeatSkipped                    // `skip n` and `ok`
)

// manner is how a family speaks.
type manner struct {
	family  Family
	ask     string // printf form of a request to send line n again
	askOK   bool   // an `ok` follows the request
	explain bool   // an `Error:` line goes before it
	repeats repeatStyle
	receipt bool // `ok n` when a line is taken into the queue, not when it was handled
	// plainSumRefused: an un-numbered line that bears a checksum is refused.
	plainSumRefused bool
	// commentEatsNext: a comment behind a command loses that line and the next one.
	commentEatsNext bool
	partDropped     time.Duration // a line without an end is forgotten after this
	partAsked       time.Duration // or asked for again after this
	jerk            bool          // corners by per-axis jerk
	busyHeating     bool          // busy lines name the heating

	detailed bool // advanced ok
	waits    bool // `wait` each second with nothing in the queue
	urgent   bool // emergency parser
	actions  bool // host actions and prompts
	runout   bool
}

func mannerOf(o Options) manner {
	m := manner{family: o.Family, ask: "Resend: %d", askOK: true, explain: true}
	switch o.Family {
	case FamilyA:
		if o.AllOptions {
			m.detailed, m.waits, m.urgent, m.actions, m.runout = true, true, true, true, true
		}
	case FamilyB:
		m.ask, m.repeats, m.plainSumRefused, m.partDropped, m.jerk = "Resend:%d", repeatSkipped, true, 2*time.Second, true
		m.busyHeating = true
	case FamilyC:
		m.ask, m.askOK, m.explain, m.repeats, m.commentEatsNext, m.partAsked = "rs %d", false, false, repeatRefused, true, 200*time.Millisecond
	case FamilyD:
		m.ask, m.explain, m.repeats, m.receipt = "rs N%d", false, repeatRefused, true
	case FamilyE:
		m.ask, m.explain = "rs N%d", false
	}
	return m
}
