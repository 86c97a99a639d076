package ports

import (
	"path/filepath"

	"golang.org/x/sys/unix"

	"undercroft/fleet/link"
)

// Configured is a printer as the configuration has it.
type Configured struct {
	Printer string
	Path    string // a link path
	Baud    int
}

// Name puts the configuration's printers to their ports. One whose port is not
// in the list (a pseudo-terminal, a serial port behind the network, a name that
// is not there now) is added as a port of its own.
func Name(list []Port, conf []Configured) []Port {
	for _, c := range conf {
		device, missing := c.Path, ""
		if found, err := link.DevicePath(c.Path); err != nil {
			missing = err.Error()
		} else if filepath.IsAbs(found) {
			if device, err = filepath.EvalSymlinks(found); err != nil {
				device, missing = found, "not there: the printer is off, its cable is out, or the name has changed"
			}
		}
		at := -1
		for i := range list {
			if list[i].Device == device {
				at = i
			}
		}
		if at < 0 {
			p := Port{Device: device}
			if device != c.Path {
				p.Names = []string{c.Path}
			}
			if missing != "" {
				p.Answer = &Answer{Text: missing}
			}
			list, at = append(list, p), len(list)
		}
		if list[at].Printer != "" {
			list[at].Printer += ", "
		}
		list[at].Printer += c.Printer
	}
	return list
}

// MayOpen says whether this user may read and write a device. It does not open
// it, which would reset many boards.
func MayOpen(device string) error { return unix.Access(device, unix.R_OK|unix.W_OK) }
