package watch

import "strings"

// Ask is what a line from the firmware asks of the host or tells it about the
// run, beyond what the conversation itself needs.
type Ask string

const (
	AskNothing Ask = ""
	AskPause   Ask = "pause"  // the host is asked to hold the run back
	AskPaused  Ask = "paused" // the firmware holds the run itself; a person is wanted
	AskRunout  Ask = "runout" // the same, because filament ran out
	// AskRunoutPause: filament ran out and the host is to hold the run back; the
	// firmware does nothing about it.
	AskRunoutPause Ask = "runout-pause"
	AskResume      Ask = "resume"  // the host is asked to go on
	AskResumed     Ask = "resumed" // the firmware goes on by itself
	AskCancel      Ask = "cancel"  // the host is asked to end the run
	AskCold        Ask = "cold"    // extrusion was prevented: the print would go on with no plastic
	AskTell        Ask = "tell"    // a notification for a person
)

// Read classifies one line from the firmware. For AskTell, AskPaused and
// AskRunout the second result is what to show a person.
func Read(line string) (Ask, string) {
	s := strings.TrimSpace(line)
	low := strings.ToLower(s)
	if rest, ok := strings.CutPrefix(low, "//"); ok {
		rest, ok = strings.CutPrefix(strings.TrimSpace(rest), "action:")
		if !ok {
			return AskNothing, ""
		}
		verb, what, _ := strings.Cut(strings.TrimSpace(rest), " ")
		switch verb {
		case "pause":
			if strings.Contains(what, "runout") || strings.Contains(what, "filament") {
				return AskRunoutPause, "filament ran out"
			}
			return AskPause, what
		case "paused":
			if strings.Contains(what, "runout") {
				return AskRunout, "filament ran out"
			}
			return AskPaused, what
		case "resume":
			return AskResume, ""
		case "resumed":
			return AskResumed, ""
		case "cancel", "cancelled":
			return AskCancel, what
		case "out_of_filament":
			return AskRunoutPause, "filament ran out"
		case "notification":
			// The words as the machine wrote them, not lowered.
			_, words, _ := strings.Cut(s[strings.Index(low, "notification"):], " ")
			return AskTell, strings.TrimSpace(words)
		}
		return AskNothing, ""
	}
	echo := strings.TrimSpace(strings.TrimPrefix(low, "echo:"))
	switch {
	case strings.Contains(echo, "cold extrusion prevented"), strings.Contains(echo, "too long extrusion prevented"):
		return AskCold, s
	case strings.HasPrefix(echo, "insert filament"):
		return AskPaused, "insert filament, then confirm"
	case strings.HasPrefix(echo, "filament runout"), strings.HasPrefix(echo, "no filament"):
		return AskRunout, "filament ran out"
	}
	return AskNothing, ""
}

// WaitsForPerson says whether what the firmware is busy with is a person.
func WaitsForPerson(busy string) bool {
	return strings.Contains(strings.ToLower(busy), "paused for")
}
