package fleet

import (
	"fmt"
	"strings"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

// Troubles is everything that a printer's loop acts on by itself: what the watch
// finds, what ends a link, what the firmware asks. DEVELOPERS.md shows it, and a
// test keeps it there.
func Troubles() []watch.Row {
	return append(watch.Table(), []watch.Row{
		{Cause: string(link.CauseColdExtrusion), Seen: "'cold extrusion prevented'", When: "at once", Why: "the print would go on with no plastic",
			Action: "end the run, heaters off, then faulted: the heater or its sensor may have failed"},
		{Cause: string(link.CauseHalted), Seen: "the firmware says that it halted, or another fatal text", When: "at once", Why: "it does nothing more before a reset",
			Action: "end the run, faulted until a person takes it back"},
		{Cause: string(link.CauseThermal), Seen: "the firmware reports a heat fault", When: "at once", Why: "its own protection has acted", Action: "end the run, faulted until a person takes it back"},
		{Cause: string(link.CauseRebooted), Seen: "boot text in mid-run", When: "at once", Why: "position and targets are lost", Action: "end the run, faulted until a person takes it back"},
		{Cause: string(link.CauseSilent), Seen: "the link got no answer within any deadline", When: "the deadline of the commands on their way", Why: "it may hear although it does not answer",
			Action: "end the run, emergency stop; its text says that only the plug is left when nothing confirms it"},
		{Cause: string(link.CausePortLost), Seen: "the port vanished", When: "at once", Why: "a cable, a hub, or the machine's power",
			Action: "end the run; its heat is turned off when it is back with the targets that were ours, and a person is sent to the plug until then"},
		{Cause: "resends, desync, position, refused, source, unsendable", Seen: "the conversation can no longer be trusted, or the file cannot be sent", When: "at once", Why: "never a silent gap",
			Action: "end the run, heaters off over what is left of the link, else over the port opened anew"},
		{Cause: string(watch.AskPause), Seen: "'//action:pause'", When: "at once", Why: "the firmware asks the host", Action: "hold: park, keep or lower the heat as configured"},
		{Cause: string(watch.AskPaused), Seen: "'//action:paused', 'busy: paused for user'", When: "at once", Why: "the firmware holds the run itself", Action: "hold: send nothing more, show its question"},
		{Cause: string(watch.AskRunout), Seen: "filament ran out, and the firmware handles it", When: "at once; runout_fails_after ends the run", Why: "nobody may come", Action: "hold: send nothing more; a person is called"},
		{Cause: string(watch.AskRunoutPause), Seen: "filament ran out, and the host is asked", When: "at once; runout_fails_after ends the run", Why: "nobody may come", Action: "hold: park, call a person, purge after 'loaded', go on"},
		{Cause: string(watch.AskCancel), Seen: "'//action:cancel'", When: "at once", Why: "a person at the panel", Action: "end the run: heaters off, park"},
	}...)
}

// TroublesTable is Troubles as DEVELOPERS.md shows it.
func TroublesTable() string {
	var out strings.Builder
	out.WriteString("| cause | what is seen | from when | why then | what is done |\n|---|---|---|---|---|\n")
	for _, r := range Troubles() {
		fmt.Fprintf(&out, "| `%s` | %s | %s | %s | %s |\n", r.Cause, r.Seen, r.When, r.Why, r.Action)
	}
	return out.String()
}
