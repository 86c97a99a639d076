// Package doctor judges an installation: from facts that somebody gathered it
// says what is wrong, why that matters and how to mend it. It asks nothing
// itself, so that each finding is a row of a table in its test.
package doctor

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Level is how bad a finding is.
type Level string

const (
	Fine    Level = "fine"
	Note    Level = "note"    // worth knowing
	Warning Level = "warning" // works, and will hurt one day
	Problem Level = "problem" // the daemon, or a printer, cannot work like this
)

// Finding is one thing about the installation.
type Finding struct {
	Subject string `json:"subject"` // configuration, ports, clock, …
	Level   Level  `json:"level"`
	What    string `json:"what"`
	Why     string `json:"why,omitempty"`
	Mend    string `json:"mend,omitempty"`
}

// Facts are what was found out. Zero values mean that it was not.
type Facts struct {
	User      string
	Root      bool
	Config    string // the configuration's name
	ConfigErr string // why it cannot be used
	Warnings  []string

	Ports    []PortFact
	Now      time.Time
	Built    time.Time // of the program, zero when unknown
	Synced   *bool     // nil: the system does not say
	Zone     string    // of the house
	ZoneHere string    // of the system; "" when it does not say

	Data     DataFact
	Circuits []CircuitFact
	Listen   ListenFact
	Daemons  []int // process ids of other daemons
}

// PortFact is the port of one configured printer.
type PortFact struct {
	Printer string
	Path    string
	Remote  bool // behind the network: nothing to see from here
	Missing string
	Denied  bool
	Group   string   // of the device
	HeldBy  []string // but for the daemon, which should
}

// DataFact is the data folder.
type DataFact struct {
	Dir        string
	There      bool
	Unwritable string // why nothing can be written there
	FreeBytes  uint64
	DiskBytes  uint64
	Bytes      int64   // of the database
	BytesADay  float64 // its growth over its life; 0 when not known
	Faults     []string
	CheckErr   string
}

// CircuitFact is one circuit's arithmetic.
type CircuitFact struct {
	Name      string
	Volts     float64
	BreakerA  float64
	Share     float64
	StandingW float64
	Printers  int
	HeatingW  float64 // the sum, all at once
	SteadyW   float64 // the sum, all at once
}

// ListenFact is where the pages are asked for.
type ListenFact struct {
	Address  string
	Loopback bool
	People   int
	Taken    string // why the address cannot be had although no daemon of ours runs
	TLSOff   bool
}

// Judge gives the findings, subject by subject. A subject without one is fine
// and says so.
func Judge(f Facts) []Finding {
	var out []Finding
	for _, subject := range []func(*Facts) []Finding{config, processes, ports, clock, zone, disk, database, circuits, listen} {
		out = append(out, subject(&f)...)
	}
	return out
}

// Worst is the worst level among findings.
func Worst(list []Finding) Level {
	order := []Level{Fine, Note, Warning, Problem}
	worst := 0
	for _, f := range list {
		worst = max(worst, slices.Index(order, f.Level))
	}
	return order[worst]
}

func config(f *Facts) []Finding {
	const subject = "configuration"
	if f.ConfigErr != "" {
		return []Finding{{subject, Problem, f.ConfigErr, "Without a configuration the daemon does not know its printers.", "Mend what is said above; 'undercroft serve --example' prints a commented example, and man undercroft.toml explains it."}}
	}
	var out []Finding
	for _, w := range f.Warnings {
		out = append(out, Finding{subject, Warning, w, "It is allowed, and probably not meant.", "Change it there, then 'undercroft reload'."})
	}
	if out == nil {
		out = []Finding{{subject, Fine, f.Config + " can be read", "", ""}}
	}
	return out
}

func processes(f *Facts) []Finding {
	switch len(f.Daemons) {
	case 0:
		return []Finding{{"daemon", Note, "no daemon runs", "", "systemctl start undercroft, or 'undercroft serve'."}}
	case 1:
		return []Finding{{"daemon", Fine, fmt.Sprintf("one daemon runs, process %d", f.Daemons[0]), "", ""}}
	}
	return []Finding{{"daemon", Warning, fmt.Sprintf("%d daemons run: processes %s", len(f.Daemons), numbers(f.Daemons)),
		"Two daemons never share a data folder, but they may fight for a port.", "End the one that is left over: kill -TERM and its number; it parks its printers."}}
}

func numbers(list []int) string {
	text := make([]string, len(list))
	for i, n := range list {
		text[i] = fmt.Sprint(n)
	}
	return strings.Join(text, ", ")
}

func ports(f *Facts) []Finding {
	const subject = "ports"
	var out []Finding
	for _, p := range f.Ports {
		switch {
		case p.Remote:
			out = append(out, Finding{subject, Note, fmt.Sprintf("%s is behind the network, at %s", p.Printer, p.Path), "It cannot be looked at from here without opening it.", ""})
		case p.Missing != "":
			out = append(out, Finding{subject, Problem, fmt.Sprintf("the port of %s is not there: %s (%s)", p.Printer, p.Path, p.Missing),
				"Without it the printer is absent, and takes no job.", "Switch the printer on and check its cable; 'undercroft ports' lists the names that there are."})
		case len(p.HeldBy) > 0:
			out = append(out, Finding{subject, Problem, fmt.Sprintf("the port of %s is held by %s", p.Printer, strings.Join(p.HeldBy, ", ")),
				"Two programs on one port garble each other's lines.", "End that program."})
		case p.Denied && f.Root:
			out = append(out, Finding{subject, Problem, fmt.Sprintf("nobody may open the port of %s, %s", p.Printer, p.Path), "", "chgrp dialout and chmod 660 it, or install the udev rules."})
		case p.Denied:
			group := p.Group
			if group == "" {
				group = "dialout"
			}
			out = append(out, Finding{subject, Problem, fmt.Sprintf("%s may not open the port of %s, %s", f.User, p.Printer, p.Path),
				"The daemon must read and write it.", fmt.Sprintf("usermod -aG %s %s, then log in anew. The system service is in the group by itself.", group, f.User)})
		}
	}
	if out == nil && len(f.Ports) > 0 {
		out = []Finding{{subject, Fine, fmt.Sprintf("%d ports are there and may be opened", len(f.Ports)), "", ""}}
	}
	return out
}

func clock(f *Facts) []Finding {
	const subject = "clock"
	if !Plausible(f.Now, f.Built) {
		return []Finding{{subject, Problem, fmt.Sprintf("the clock says %s, which is before this program was made", f.Now.Format("2006-01-02 15:04")),
			"Home hours, cold hours and dates mean nothing until it is set; start nothing before.", "Connect the network and let time be set (timedatectl set-ntp true), or put a battery-backed clock into the computer."}}
	}
	if f.Synced != nil && !*f.Synced {
		return []Finding{{subject, Warning, fmt.Sprintf("the clock says %s and is not kept by the network", f.Now.Format("2006-01-02 15:04")),
			"A small computer without a clock of its own drifts, and starts somewhere in the past after a power cut.", "timedatectl set-ntp true, or apt install systemd-timesyncd."}}
	}
	return []Finding{{subject, Fine, "the clock says " + f.Now.Format("2006-01-02 15:04"), "", ""}}
}

// Plausible says whether a clock can be right: nobody runs a program before it
// was made, nor in the year that a clock without a battery wakes up in. A day is
// allowed for zones.
func Plausible(now, built time.Time) bool {
	least := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if built.After(least) {
		least = built
	}
	return now.After(least.Add(-24 * time.Hour))
}

func zone(f *Facts) []Finding {
	if f.Zone == "" {
		return nil
	}
	if f.ZoneHere != "" && f.ZoneHere != f.Zone {
		return []Finding{{"time zone", Note, fmt.Sprintf("the house is in %s, this computer in %s", f.Zone, f.ZoneHere),
			"Home and cold hours go by the house's; the times in system logs by the computer's.", "timedatectl set-timezone " + f.Zone + ", if that is not meant."}}
	}
	return []Finding{{"time zone", Fine, f.Zone, "", ""}}
}
