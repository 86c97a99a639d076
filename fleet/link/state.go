package link

import "time"

// Phase is where the conversation with a firmware stands.
type Phase string

const (
	// Opening: the port is open, the firmware has not been understood yet. Exits:
	// Idle once identified; Failed when nothing intelligible answers; Closed.
	Opening Phase = "opening"
	// Idle: identified, nothing is streamed. Exits: Streaming by Stream; Failed
	// on a fatal text or a dead port; Closed.
	Idle Phase = "idle"
	// Streaming: a source is being sent. Exits: Idle when every command is
	// certainly executed or the stream was aborted; Suspended by Suspend; Failed.
	Streaming Phase = "streaming"
	// Suspended: no new commands of the source are sent; those on their way are
	// awaited. Exits: Streaming by Resume; Idle by Abort; Failed; Closed.
	Suspended Phase = "suspended"
	// Failed: the run on this link, if any, is lost; State.Fault says why. While
	// State.Reachable holds, Do still gets through, to turn heaters off and to
	// park. The only exit is Closed: whoever owns the link opens the port anew.
	Failed Phase = "failed"
	// Closed: Close was called. No exit.
	Closed Phase = "closed"
)

// Cause names why a link or the run on it failed. Stable, kebab-case.
type Cause string

const (
	CausePortLost      Cause = "port-lost"      // the port vanished or reads and writes fail
	CauseSilent        Cause = "silent"         // no answer within every deadline
	CauseRebooted      Cause = "rebooted"       // boot text in mid-stream
	CauseHalted        Cause = "halted"         // the firmware said that it halted
	CauseThermal       Cause = "thermal"        // the firmware reported a heat fault
	CauseColdExtrusion Cause = "cold-extrusion" // extrusion prevented: nothing comes out
	CauseUnsendable    Cause = "unsendable"     // a line of the source cannot be sent
	CauseSource        Cause = "source"         // reading the source failed
	CauseResends       Cause = "resends"        // the same line was refused again and again
	CauseDesync        Cause = "desync"         // the counts of host and firmware cannot be reconciled
	CausePosition      Cause = "position"       // the reported position differs from what was sent
	CauseRefused       Cause = "refused"        // the firmware does not know a command without which the print goes wrong
	CauseInternal      Cause = "internal"       // a bug in the link itself, contained
)

// Fault is the reason of a failed link or stream.
type Fault struct {
	Cause Cause
	Text  string // for a person: what happened, where, what to do
	Line  int64  // file line in hand, 0 when no stream was running
	At    time.Time
}

// Heater is one heater as the firmware last reported it.
type Heater struct {
	Name    string // "T0", "T1", …, "B", "C"
	ActualC float64
	TargetC float64
	Duty    float64 // 0…1 from the @ field, -1 when not reported
}

// Identity is what the firmware said of itself when the link came up.
type Identity struct {
	Firmware  string
	Protocol  string
	Extruders int
	Caps      map[string]bool
	Settings  []string // lines of the settings report, M201 M203 M204 M205 M92 among them
}

// State is a copy of what the link knows. Counts are commands of the running
// or last stream, in order; Done <= Accepted <= Sent always holds.
type State struct {
	Phase    Phase
	Identity Identity
	Family   string // learned from answers: "a", "b", "c", "d", "e", "" while unknown
	Boots    int    // boot texts seen since the port was opened

	Heaters []Heater
	HeatAt  time.Time // zero before the first report

	Sent     int64 // written to the port at least once
	Accepted int64 // acknowledged by the firmware
	Done     int64 // certainly executed: a lower bound
	SentLine int64 // file line of the newest command sent
	Finished bool  // the source is exhausted and Done covers all of it

	Busy    string // what the firmware last said it is busy with, "" when it is not
	HeardAt time.Time

	// Reachable says that Do gets through, also after a failure that left the
	// conversation itself alive.
	Reachable bool
	// Window is how many bytes may be ahead of the last ok now; 0: one line at a time.
	Window int
	// Numbered says that the firmware was seen to check line numbers, so that a
	// lost line cannot go unnoticed.
	Numbered bool
	// Audits counts positions that the firmware reported as expected.
	Audits int64
	// BytesOut and BytesIn count everything written and read.
	BytesOut, BytesIn int64

	Resends   int64
	Timeouts  int64
	Starved   time.Duration // time in which the planner was believed to run dry
	LineShare float64       // share of the line's byte rate used while streaming, 0 when unknown
	RTTp50    time.Duration
	RTTp99    time.Duration

	Fault *Fault
}

// Notice is a line from the firmware that somebody above may have to act on:
// host-action requests, errors, echoes. At most 256 are kept; older ones fall out.
type Notice struct {
	At   time.Time
	Text string
}

// Source yields the commands of a stream, normalised: upper case, no comment,
// no line number, no checksum, no line end.
type Source interface {
	// Next returns the next command and the file line it stands on. text is
	// valid until the next call. io.EOF ends the stream.
	Next() (text []byte, line int64, err error)
}
