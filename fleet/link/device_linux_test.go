package link

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// plugged lays out what the kernel shows of USB adapters: a terminal points to
// its port, which lies below its interface, below the device with the serial
// number (Linux: Documentation/ABI/testing/sysfs-bus-usb).
func plugged(t *testing.T, serials map[string]string) {
	t.Helper()
	root := t.TempDir()
	old := sysTTY
	sysTTY = filepath.Join(root, "class")
	t.Cleanup(func() { sysTTY = old })
	for tty, serial := range serials {
		device := filepath.Join(root, "usb", "1-"+tty)
		port := filepath.Join(device, "1-1:1.0", tty)
		if err := os.MkdirAll(port, 0o755); err != nil {
			t.Fatal(err)
		}
		if serial != "" {
			os.WriteFile(filepath.Join(device, "serial"), []byte(serial+"\n"), 0o644)
		}
		os.MkdirAll(filepath.Join(sysTTY, tty), 0o755)
		if err := os.Symlink(port, filepath.Join(sysTTY, tty, "device")); err != nil {
			t.Fatal(err)
		}
	}
	os.MkdirAll(filepath.Join(sysTTY, "tty0"), 0o755) // no device behind it
}

// A port that comes back under another name is found by its serial number.
func TestUSBSerialNamesThePort(t *testing.T) {
	plugged(t, map[string]string{"ttyUSB0": "A50285BI", "ttyACM0": "HERON7", "ttyS0": ""})
	if got, err := DevicePath("usb:HERON7"); err != nil || got != "/dev/ttyACM0" {
		t.Errorf("%q, %v", got, err)
	}
	if got, err := DevicePath("/dev/ttyUSB0"); err != nil || got != "/dev/ttyUSB0" {
		t.Errorf("%q, %v", got, err)
	}
	if _, err := DevicePath("usb:EGRET"); !errors.Is(err, ErrPortMissing) || !strings.Contains(err.Error(), "A50285BI, HERON7") {
		t.Errorf("a serial that is not there: %v", err)
	}
	plugged(t, map[string]string{"ttyACM3": "HERON7", "ttyUSB0": "A50285BI"})
	if got, err := DevicePath("usb:HERON7"); err != nil || got != "/dev/ttyACM3" {
		t.Errorf("under another name: %q, %v", got, err)
	}
	plugged(t, map[string]string{"ttyUSB0": "0001", "ttyUSB1": "0001"})
	if _, err := DevicePath("usb:0001"); !errors.Is(err, ErrPortMany) || !strings.Contains(err.Error(), "/dev/ttyUSB0, /dev/ttyUSB1") {
		t.Errorf("two of them: %v", err)
	}
	plugged(t, nil)
	if _, err := OpenPort("usb:0001", 115200); !errors.Is(err, ErrPortMissing) {
		t.Errorf("none: %v", err)
	}
}

// What cannot be opened says which kind of trouble it is.
func TestPortKinds(t *testing.T) {
	file := filepath.Join(t.TempDir(), "heron.txt")
	os.WriteFile(file, nil, 0o644)
	for path, want := range map[string]error{
		"/dev/heron-is-not-there":        ErrPortMissing,
		file:                             ErrNotSerial,
		"/dev/null":                      ErrNotSerial,
		"rfc2217://127.0.0.1:1":          unix.ECONNREFUSED,
		filepath.Join(file, "port"):      nil,
		"tcp://127.0.0.1:1":              unix.ECONNREFUSED,
		"/dev/serial/by-id/usb-heron-if": ErrPortMissing,
	} {
		p, err := OpenPort(path, 115200)
		if err == nil {
			p.Close()
			t.Errorf("%s was opened", path)
		} else if want != nil && !errors.Is(err, want) || !strings.Contains(err.Error(), strings.TrimPrefix(path, "rfc2217://")) && !strings.Contains(err.Error(), "127.0.0.1:1") {
			t.Errorf("%s: %v, want %v", path, err, want)
		}
	}
	if _, err := OpenPort("/dev/heron", 0); !errors.Is(err, ErrRate) {
		t.Errorf("no rate: %v", err)
	}
}

// A port that was opened once leaves DTR up when it is closed, so that opening
// it again makes no edge.
func TestClosingLeavesDTR(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	hangUp := func() bool {
		t.Helper()
		s, err := unix.IoctlGetTermios(int(slave.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		return s.Cflag&unix.HUPCL != 0
	}
	s, _ := unix.IoctlGetTermios(int(slave.Fd()), unix.TCGETS)
	s.Cflag |= unix.HUPCL
	if err := unix.IoctlSetTermios(int(slave.Fd()), unix.TCSETS, s); err != nil || !hangUp() {
		t.Fatalf("the flag cannot be set: %v", err)
	}
	p, err := OpenPort(slave.Name(), 250000)
	if err != nil {
		t.Fatal(err)
	}
	if hangUp() {
		t.Error("closing would drop DTR")
	}
	p.Close()
	if hangUp() {
		t.Error("closing dropped DTR")
	}
}

// A port that another program has is busy. The superuser may open it all the
// same, so that only the kind is looked at there.
func TestBusyPort(t *testing.T) {
	for err, want := range map[error]error{unix.EBUSY: ErrPortBusy, unix.EACCES: ErrPortDenied, unix.ENOENT: ErrPortMissing, unix.ENXIO: ErrPortMissing, unix.ENODEV: ErrPortMissing} {
		if got := portKind(err); !errors.Is(got, want) || !errors.Is(got, err) {
			t.Errorf("%v is %v", err, got)
		}
	}
}
