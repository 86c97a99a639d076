package doctor

import (
	"fmt"
	"strings"
)

const (
	// leastFree is what a night of uploads, layer records and a backup before an
	// upgrade need.
	leastFree = 500_000_000
	// scarceFree is when the daemon itself comes to a stop soon.
	scarceFree = 50_000_000
)

func disk(f *Facts) []Finding {
	const subject = "disk"
	data := &f.Data
	switch {
	case data.Dir == "":
		return nil
	case data.Unwritable != "":
		return []Finding{{subject, Problem, fmt.Sprintf("%s cannot write into the data folder %s: %s", f.User, data.Dir, data.Unwritable),
			"The queue, the layer records and the outcomes are kept there.", "Give the folder to the daemon's user (chown), or mount its disk for writing; a disk that turned read-only by itself is often broken: copy it while you can."}}
	case data.DiskBytes == 0:
		return nil
	case data.FreeBytes < scarceFree:
		return []Finding{{subject, Problem, fmt.Sprintf("%s of %s are free at %s", size(float64(data.FreeBytes)), size(float64(data.DiskBytes)), data.Dir),
			"When the disk is full, no file is taken and no run begins; layer records of a running print wait in memory.", "Make room: journalctl --vacuum-size=50M, remove old files."}}
	case data.FreeBytes < leastFree:
		return []Finding{{subject, Warning, fmt.Sprintf("%s of %s are free at %s", size(float64(data.FreeBytes)), size(float64(data.DiskBytes)), data.Dir),
			"Files for a build, and the backup before an upgrade, need more.", "Make room, or give the data folder a larger disk."}}
	}
	out := Finding{Subject: subject, Level: Fine, What: fmt.Sprintf("%s of %s are free at %s", size(float64(data.FreeBytes)), size(float64(data.DiskBytes)), data.Dir)}
	if data.BytesADay > 0 {
		days := float64(data.FreeBytes) / data.BytesADay
		out.What += fmt.Sprintf("; the database has %s and grows by %s a day, so that there is room for %s", size(float64(data.Bytes)), size(data.BytesADay), span(days))
		if days < 60 {
			out.Level, out.Why, out.Mend = Warning, "A full disk stops the house.", "Give the data folder a larger disk."
		}
	}
	return []Finding{out}
}

func database(f *Facts) []Finding {
	const subject = "database"
	d := &f.Data
	switch {
	case d.Dir == "":
		return nil
	case d.CheckErr != "":
		return []Finding{{subject, Problem, d.CheckErr, "The daemon cannot start on it.", "Take the newest backup in the data folder; see 'undercroft backup --help'."}}
	case len(d.Faults) > 0:
		return []Finding{{subject, Problem, strings.Join(d.Faults, "; "), "What is wrong in the record leads to wrong counts, or to a daemon that does not start.", "'undercroft check' lists all of it. Keep the folder as it is and take the newest backup."}}
	case !d.There:
		return []Finding{{subject, Note, "there is none yet at " + d.Dir, "", "The daemon makes it at its first start."}}
	}
	return []Finding{{subject, Fine, "read through, nothing is wrong", "", ""}}
}

// circuits does arithmetic for planning; it never says that a circuit is safe.
func circuits(f *Facts) []Finding {
	const subject = "circuits"
	const electrician = "These are estimates for planning, not protection; local codes and a licensed electrician decide."
	var out []Finding
	for _, c := range f.Circuits {
		limit := c.Volts * c.BreakerA * c.Share
		free := limit - c.StandingW
		sum := fmt.Sprintf("%s: %.0f V × %.0f A × %.2f = %.0f W, less %.0f W standing", c.Name, c.Volts, c.BreakerA, c.Share, limit, c.StandingW)
		switch {
		case c.Printers == 0:
			out = append(out, Finding{subject, Note, c.Name + " has no printer", "", "Take it out of the configuration, or name it at a printer."})
		case c.Share > 0.8:
			out = append(out, Finding{subject, Warning, fmt.Sprintf("%s; the share is above 0.80", sum),
				"In many countries loads of three hours and more may use 80 % of a breaker's rating. " + electrician, "Ask, then set continuous_share."})
		case c.SteadyW > free:
			out = append(out, Finding{subject, Note, fmt.Sprintf("%s; its %d printers draw %.0f W when all print", sum, c.Printers, c.SteadyW),
				"They cannot all print at once here: some will wait for others. " + electrician, "Put one on another circuit, or plan with the waiting."})
		case c.HeatingW > free:
			out = append(out, Finding{subject, Fine, fmt.Sprintf("%s; its %d printers draw %.0f W when all print and %.0f W when all heat, so that they heat in turn", sum, c.Printers, c.SteadyW, c.HeatingW), electrician, ""})
		default:
			out = append(out, Finding{subject, Fine, fmt.Sprintf("%s; its %d printers draw %.0f W at most", sum, c.Printers, c.HeatingW), electrician, ""})
		}
	}
	return out
}

func listen(f *Facts) []Finding {
	const subject = "door"
	l := &f.Listen
	switch {
	case l.Address == "":
		return nil
	case l.Taken != "":
		return []Finding{{subject, Problem, fmt.Sprintf("the pages cannot be at %s: %s", l.Address, l.Taken), "The daemon does not start.", "End the program that has the address, or set another in listen."}}
	case !l.Loopback && l.People == 0:
		return []Finding{{subject, Problem, fmt.Sprintf("the pages are to be reached from other computers, at %s, and nobody is written down who may come in", l.Address),
			"Nothing that heats or moves a machine is open to everyone, so that the pages answer only this computer.", "undercroft people add NAME --role ROLE"}}
	case !l.Loopback && l.TLSOff:
		return []Finding{{subject, Warning, "the pages at " + l.Address + " are not encrypted", "Passwords and keys cross the network in clear.", "Leave tls out, or encrypt the network."}}
	case l.Loopback:
		return []Finding{{subject, Fine, "the pages are at " + l.Address + ", for this computer only", "", ""}}
	}
	return []Finding{{subject, Fine, fmt.Sprintf("the pages are at %s, for %d people and programs", l.Address, l.People), "", ""}}
}

func size(b float64) string {
	switch {
	case b >= 1e9:
		return fmt.Sprintf("%.1f GB", b/1e9)
	case b >= 1e6:
		return fmt.Sprintf("%.1f MB", b/1e6)
	}
	return fmt.Sprintf("%.0f kB", b/1e3)
}

func span(days float64) string {
	if days >= 730 {
		return fmt.Sprintf("%.0f years", min(days/365, 1000))
	}
	return fmt.Sprintf("%.0f days", days)
}
