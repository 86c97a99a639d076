// Package ports says which serial ports this computer has, under which names
// that last, what hangs on them by the word of the USB bus, who holds them, and
// which firmware answers on those that nobody holds.
package ports

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Port is one serial port.
type Port struct {
	Device string   `json:"device"`          // such as /dev/ttyUSB0; changes with the order of plugging
	Names  []string `json:"names,omitempty"` // that last: by socket first, then by board
	Driver string   `json:"driver,omitempty"`

	// Of the USB device; empty on another bus.
	Vendor  string `json:"usb_vendor,omitempty"`  // four hexadecimal digits
	Product string `json:"usb_product,omitempty"` // likewise
	Maker   string `json:"usb_maker,omitempty"`
	Model   string `json:"usb_model,omitempty"`
	Serial  string `json:"usb_serial,omitempty"`
	Socket  string `json:"usb_socket,omitempty"` // the kernel's name of the USB socket, such as 1-1.3

	Printer string    `json:"printer,omitempty"` // of the configuration
	HeldBy  []Process `json:"held_by,omitempty"`
	Answer  *Answer   `json:"answer,omitempty"` // nil: not asked
}

// Process is a program that has a port open.
type Process struct {
	PID  int    `json:"pid"`
	Name string `json:"name"`
}

// nameFolders hold names that last, best first: a socket is told apart from
// another even when two boards say the same of themselves.
var nameFolders = []string{"dev/serial/by-path", "dev/undercroft", "dev/serial/by-id"}

// maxPorts bounds one look.
const maxPorts = 512

// List reads the ports below root, which is "/" but in tests. Ports without
// hardware behind them are left out. They come in the order of their devices.
func List(root string) ([]Port, error) {
	class := filepath.Join(root, "sys/class/tty")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("the system does not say which serial ports it has: %w", err)
	}
	names := lasting(root)
	var out []Port
	for _, e := range entries {
		device, err := filepath.EvalSymlinks(filepath.Join(class, e.Name(), "device"))
		if err != nil || absent(filepath.Join(class, e.Name())) || len(out) == maxPorts {
			continue // a terminal, not a port
		}
		p := Port{Device: "/dev/" + e.Name(), Names: names["/dev/"+e.Name()]}
		if driver, err := os.Readlink(filepath.Join(device, "driver")); err == nil {
			p.Driver = filepath.Base(driver)
		}
		p.usb(device)
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b Port) int { return natural(a.Device, b.Device) })
	return out, nil
}

// absent tells of an old kind of port, which the kernel lists whether it is
// there or not: its type is 0, PORT_UNKNOWN in the kernel's serial_core.h.
func absent(tty string) bool {
	kind, err := os.ReadFile(filepath.Join(tty, "type"))
	return err == nil && strings.TrimSpace(string(kind)) == "0"
}

// usb reads what the USB device above a terminal's device says of itself.
func (p *Port) usb(dir string) {
	for range 5 { // terminal, port, interface, device
		if _, err := os.Stat(filepath.Join(dir, "idVendor")); err == nil {
			p.Vendor, p.Product = attribute(dir, "idVendor"), attribute(dir, "idProduct")
			p.Maker, p.Model, p.Serial = attribute(dir, "manufacturer"), attribute(dir, "product"), attribute(dir, "serial")
			p.Socket = filepath.Base(dir)
			return
		}
		dir = filepath.Dir(dir)
	}
}

func attribute(dir, name string) string {
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.ToValidUTF8(strings.TrimSpace(string(text)), "\ufffd")
}

// lasting gives for each device the names that point to it.
func lasting(root string) map[string][]string {
	out := map[string][]string{}
	for _, folder := range nameFolders {
		entries, err := os.ReadDir(filepath.Join(root, folder))
		if err != nil {
			continue
		}
		for _, e := range entries {
			to, err := os.Readlink(filepath.Join(root, folder, e.Name()))
			if err != nil {
				continue
			}
			device := "/dev/" + filepath.Base(to)
			out[device] = append(out[device], "/"+filepath.Join(folder, e.Name()))
		}
	}
	return out
}

// natural sorts ttyUSB2 before ttyUSB10.
func natural(a, b string) int {
	ha, na := number(a)
	hb, nb := number(b)
	if ha != hb {
		return strings.Compare(ha, hb)
	}
	return na - nb
}

func number(s string) (head string, n int) {
	head = strings.TrimRight(s, "0123456789")
	n, _ = strconv.Atoi(s[len(head):])
	return head, n
}
