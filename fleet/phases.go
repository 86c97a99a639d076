package fleet

// The phases, what each means, and how a printer leaves it. When the daemon
// dies, phases die with it: the next start begins every printer in absent. Runs
// that were open then are the business of whoever started them.
//
//	absent    there is no link. The port is tried again and again. Exits:
//	          settling when it opens; lent when a person takes the machine.
//	settling  the port is open; the firmware is being understood and asked what
//	          it is doing. Exits: ready; cooling when it was still hot from a run
//	          of ours; lent when it is doing something that we did not ask for;
//	          absent when it does not answer or the port vanishes; faulted.
//	ready     identified, idle, cold or cooling by itself. Exits: warming by a
//	          start; lent by a person or found out; settling after a reboot
//	          and for heat that outlived a link; absent; faulted.
//	warming   a run is on its way and its first temperatures are not reached.
//	          Exits: printing; paused; cooling when it ended; absent; faulted.
//	printing  a run is on its way. Exits as warming, but for printing.
//	paused    a run is held by the firmware, a person or the daemon. Exits:
//	          printing or warming when it goes on; cooling; absent; faulted.
//	cooling   the run is over and something is still hot. Exits: ready when it is
//	          cool enough; warming by a start, for the heat of the last run harms
//	          no next one whose plate was cleared; lent; settling after a reboot;
//	          absent; faulted.
//	lent      a person at the panel or the machine's own card drives it: nothing
//	          is sent to it but questions. Exits: settling or absent by a person's
//	          take-back.
//	faulted   something happened after which only a person can say that the
//	          machine is well. Exits: absent by a person's take-back, or when the
//	          port vanishes, which a power cycle does on many boards; then the
//	          machine was switched off, and with it its heaters.

// change is one legal change of phase and the reason for it.
type change struct {
	from, to Phase
	why      string
}

// changes is the only place that says who may go where.
var changes = []change{
	{Absent, Settling, "the port was opened"},
	{Absent, Lent, "a person takes the machine, and with it its port"},
	{Absent, Faulted, "the printer's loop failed"},

	{Settling, Ready, "identified; nothing is heated or moved by anyone else"},
	{Settling, Cooling, "the heat of a run of ours that lost its link was turned off"},
	{Settling, Lent, "heated or moved by someone else, or a person takes it"},
	{Settling, Absent, "nothing intelligible answers, or the port vanished"},
	{Settling, Faulted, "the firmware reports a fault, or heat that cannot be turned off"},

	{Ready, Warming, "a run was started"},
	{Ready, Lent, "a person takes it, or targets appeared that we did not set"},
	{Ready, Settling, "the machine was restarted, or heats by a command of ours that outlived its link"},
	{Ready, Absent, "the port vanished"},
	{Ready, Faulted, "the firmware or the watch reports a fault"},

	{Warming, Printing, "the first temperatures are reached"},
	{Warming, Paused, "the firmware or a person holds the run"},
	{Warming, Cooling, "the run ended"},
	{Warming, Absent, "the run ended and the link has to be opened anew"},
	{Warming, Faulted, "the run ended with a fault of the machine"},

	{Printing, Paused, "the firmware or a person holds the run"},
	{Printing, Cooling, "the run ended"},
	{Printing, Absent, "the run ended and the link has to be opened anew"},
	{Printing, Faulted, "the run ended with a fault of the machine"},

	{Paused, Warming, "the run goes on before it was warm"},
	{Paused, Printing, "the run goes on"},
	{Paused, Cooling, "the run ended"},
	{Paused, Absent, "the run ended and the link has to be opened anew"},
	{Paused, Faulted, "the run ended with a fault of the machine"},

	{Cooling, Ready, "nozzle and bed are cool"},
	{Cooling, Warming, "a run was started: the plate was cleared while it was warm"},
	{Cooling, Lent, "a person takes it, or targets appeared that we did not set"},
	{Cooling, Settling, "the machine was restarted"},
	{Cooling, Absent, "the port vanished"},
	{Cooling, Faulted, "the firmware or the watch reports a fault"},

	{Lent, Settling, "taken back over a link that is still up"},
	{Lent, Absent, "taken back; the port has to be opened"},
	{Lent, Faulted, "an emergency stop by a person, or the printer's loop failed"},

	{Faulted, Absent, "a person took it back, or it was switched off"},
}

// mayGo says whether the table allows a change.
func mayGo(from, to Phase) bool {
	for _, c := range changes {
		if c.from == from && c.to == to {
			return true
		}
	}
	return false
}
