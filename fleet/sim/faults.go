package sim

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Faults are what goes wrong, as data; with the same seed and the same host the
// same goes wrong again. A rate is a probability from 0 to 1.
type Faults struct {
	// On the way to the board, per byte.
	Flip     float64 // one bit of the byte is turned
	LoseByte float64
	Burst    float64 // a run of BurstBytes bytes becomes noise
	// On the way to the board, per line.
	LoseLine float64

	// On the way to the host, per byte.
	FlipBack     float64
	LoseByteBack float64
	// On the way to the host, per line.
	LoseReply float64 // any line
	LoseOK    float64 // a line that begins with ok
	DoubleOK  float64
	Split     float64 // a line comes in two parts, 20 ms apart
	Glue      float64 // a line waits up to 20 ms for the next one
	Delay     float64 // a line, and all behind it, waits DelayFor

	// Per command handled.
	Unplug  float64
	Reset   float64
	Silence float64
	Hang    float64

	BurstBytes int           // 0 is 4
	DelayFor   time.Duration // real time; 0 is 200 ms
	Replug     time.Duration // real time; 0 is never
	SilenceFor time.Duration // real time; 0 is for ever
	HangFor    time.Duration // real time; 0 is for ever
	Refill     time.Duration // virtual time from a runout to new filament; 0 is never

	Events []FaultEvent
}

// FaultEvent is one thing that goes wrong once, after so many commands handled
// since the start of the process, or at a virtual time.
type FaultEvent struct {
	Kind FaultKind
	Line int64         // 0: by At
	At   time.Duration // virtual time
}

// FaultKind names an event.
type FaultKind string

// The events.
const (
	FaultUnplug    FaultKind = "unplug"  // the line is gone; the board lives on
	FaultReset     FaultKind = "reset"   // the board reboots
	FaultSilence   FaultKind = "silence" // the board works and is not heard
	FaultHang      FaultKind = "hang"    // the firmware stands still
	FaultRunout    FaultKind = "runout"  // the filament ends at the sensor
	FaultHeater    FaultKind = "heater-dies"
	FaultBed       FaultKind = "bed-dies"
	FaultOpen      FaultKind = "sensor-open"
	FaultShort     FaultKind = "sensor-short"
	FaultBedOpen   FaultKind = "bed-sensor-open"
	FaultBedShort  FaultKind = "bed-sensor-short"
	FaultEmergency FaultKind = "halt" // the firmware halts by itself
)

var faultKinds = []FaultKind{FaultUnplug, FaultReset, FaultSilence, FaultHang, FaultRunout, FaultHeater, FaultBed,
	FaultOpen, FaultShort, FaultBedOpen, FaultBedShort, FaultEmergency}

// FaultsHelp documents the form that ParseFaults reads.
const FaultsHelp = "What goes wrong, as a list with commas. " +
	"NAME=RATE, a probability: per byte to the board flip, losebyte, burst; per line to the board loseline; " +
	"per byte to the host flip-back, losebyte-back; per line to the host losereply, lostok, dupok, split, glue, delay; " +
	"per command unplug, reset, silence, hang. " +
	"NAME@line=N, after N commands since the start, or NAME@t=SECONDS of virtual time: unplug, reset, silence, hang, runout, halt, " +
	"heater-dies, bed-dies, sensor-open, sensor-short, bed-sensor-open, bed-sensor-short. " +
	"NAME=DURATION: replug, silence-for, hang-for, delay-for (real time), refill (virtual time); burst-bytes=N. " +
	"Example: flip=1e-4,lostok=1e-3,unplug@line=5000,replug=2s"

// rates and durations by their names in a spec.
func (f *Faults) rates() []struct {
	name string
	v    *float64
} {
	return []struct {
		name string
		v    *float64
	}{
		{"flip", &f.Flip}, {"losebyte", &f.LoseByte}, {"burst", &f.Burst}, {"loseline", &f.LoseLine},
		{"flip-back", &f.FlipBack}, {"losebyte-back", &f.LoseByteBack},
		{"losereply", &f.LoseReply}, {"lostok", &f.LoseOK}, {"dupok", &f.DoubleOK},
		{"split", &f.Split}, {"glue", &f.Glue}, {"delay", &f.Delay},
		{"unplug", &f.Unplug}, {"reset", &f.Reset}, {"silence", &f.Silence}, {"hang", &f.Hang},
	}
}

func (f *Faults) durations() []struct {
	name string
	v    *time.Duration
} {
	return []struct {
		name string
		v    *time.Duration
	}{
		{"delay-for", &f.DelayFor}, {"replug", &f.Replug}, {"silence-for", &f.SilenceFor},
		{"hang-for", &f.HangFor}, {"refill", &f.Refill},
	}
}

// ParseFaults reads the form that FaultsHelp describes.
func ParseFaults(spec string) (Faults, error) {
	var f Faults
	for _, item := range strings.Split(spec, ",") {
		item = strings.TrimSpace(item)
		if item == "" {
			continue
		}
		if err := f.parse(item); err != nil {
			return Faults{}, fmt.Errorf("fault %q: %w", item, err)
		}
	}
	return f, f.check()
}

func (f *Faults) parse(item string) error {
	name, value, ok := strings.Cut(item, "=")
	if !ok {
		return errors.New("give NAME=VALUE or NAME@line=N or NAME@t=SECONDS")
	}
	if kind, by, ok := strings.Cut(name, "@"); ok {
		return f.parseEvent(FaultKind(kind), by, value)
	}
	for _, r := range f.rates() {
		if r.name == name {
			v, err := strconv.ParseFloat(value, 64)
			if err != nil {
				return fmt.Errorf("%q is not a rate: give a probability from 0 to 1, as 1e-4", value)
			}
			*r.v = v
			return nil
		}
	}
	for _, d := range f.durations() {
		if d.name == name {
			v, err := time.ParseDuration(value)
			if err != nil {
				return fmt.Errorf("%q is not a duration: give a number with a unit, as 2s or 300ms", value)
			}
			*d.v = v
			return nil
		}
	}
	if name == "burst-bytes" {
		n, err := strconv.Atoi(value)
		if err != nil {
			return fmt.Errorf("%q is not a number of bytes", value)
		}
		f.BurstBytes = n
		return nil
	}
	return fmt.Errorf("there is no fault of the name %q", name)
}

func (f *Faults) parseEvent(kind FaultKind, by, value string) error {
	known := false
	for _, k := range faultKinds {
		known = known || k == kind
	}
	if !known {
		return fmt.Errorf("there is no event of the name %q", kind)
	}
	e := FaultEvent{Kind: kind}
	switch by {
	case "line":
		n, err := strconv.ParseInt(value, 10, 64)
		if err != nil || n < 1 {
			return fmt.Errorf("%q is not a count of commands: give a whole number from 1", value)
		}
		e.Line = n
	case "t":
		s, err := strconv.ParseFloat(strings.TrimSuffix(value, "s"), 64)
		if err != nil || !(s >= 0 && s < 1e9) {
			return fmt.Errorf("%q is not a time: give virtual seconds", value)
		}
		e.At = time.Duration(s * 1e9)
	default:
		return fmt.Errorf("@%s: give @line=N or @t=SECONDS", by)
	}
	f.Events = append(f.Events, e)
	return nil
}

// check says what is out of range.
func (f *Faults) check() error {
	for _, r := range f.rates() {
		if !(*r.v >= 0 && *r.v <= 1) {
			return fmt.Errorf("fault %s: a rate of %v is not from 0 to 1", r.name, *r.v)
		}
	}
	for _, d := range f.durations() {
		if *d.v < 0 {
			return fmt.Errorf("fault %s: a duration below 0", d.name)
		}
	}
	if f.BurstBytes < 0 || f.BurstBytes > 1<<16 {
		return fmt.Errorf("fault burst-bytes: %d is not from 1 to 65536", f.BurstBytes)
	}
	return nil
}

// String is the spec that ParseFaults reads back, for a command that replays a
// run.
func (f Faults) String() string {
	var items []string
	for _, r := range f.rates() {
		if *r.v != 0 {
			items = append(items, r.name+"="+strconv.FormatFloat(*r.v, 'g', -1, 64))
		}
	}
	for _, d := range f.durations() {
		if *d.v != 0 {
			items = append(items, d.name+"="+d.v.String())
		}
	}
	if f.BurstBytes != 0 {
		items = append(items, "burst-bytes="+strconv.Itoa(f.BurstBytes))
	}
	for _, e := range f.Events {
		if e.Line > 0 {
			items = append(items, fmt.Sprintf("%s@line=%d", e.Kind, e.Line))
		} else {
			items = append(items, fmt.Sprintf("%s@t=%s", e.Kind, strconv.FormatFloat(e.At.Seconds(), 'f', -1, 64)))
		}
	}
	return strings.Join(items, ",")
}

// FaultCount says what the injector did.
type FaultCount struct {
	FlippedBits  int64 // to the board
	LostBytes    int64
	Bursts       int64
	LostLines    int64
	FlippedBack  int64 // to the host
	LostBack     int64
	LostReplies  int64
	Doubled      int64
	Split        int64
	Glued        int64
	Delayed      int64
	Unplugs      int64
	Resets       int64
	Silences     int64
	Hangs        int64
	OverflowLost int64 // bytes that found the receive buffer full

	// Undetected lines bore a number and passed for right although they were
	// damaged: with a checksum that fits, which no checksum can show, or, in the
	// family that does not insist on one, with none. They were executed; or, in
	// that family, nothing was left of them, or the refusal was lost on its way
	// back, and the host saw the bare ok of a line that ran.
	Undetected int64
	// Unverified commands had lost their number, or were the tail of a line: the
	// firmware ran them without looking.
	Unverified int64
}

func (b *board) faultCount() FaultCount { return b.inj.count }
