package ports

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet/link"
)

// tree makes a root with files, links and folders: a name that ends in a slash
// is a folder, '-> x' a link.
func tree(t *testing.T, entries map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range entries {
		at := filepath.Join(root, name)
		err := os.MkdirAll(filepath.Dir(at), 0o755)
		if to, ok := strings.CutPrefix(text, "-> "); ok && err == nil {
			err = os.Symlink(to, at)
		} else if err == nil && strings.HasSuffix(name, "/") {
			err = os.MkdirAll(at, 0o755)
		} else if err == nil {
			err = os.WriteFile(at, []byte(text), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// The places of attributes are the kernel's (Documentation/ABI/stable/sysfs-bus-usb,
// sysfs-tty; from memory).
var cellar = map[string]string{
	"sys/class/tty/ttyUSB10": "-> ../../devices/usb1/1-1/1-1.3/1-1.3:1.0/ttyUSB10/tty/ttyUSB10",
	"sys/devices/usb1/1-1/1-1.3/1-1.3:1.0/ttyUSB10/tty/ttyUSB10/device": "-> ../..",
	"sys/devices/usb1/1-1/1-1.3/1-1.3:1.0/ttyUSB10/driver":              "-> ../../../../../bus/usb-serial/drivers/adapter",
	"sys/bus/usb-serial/drivers/adapter/":                               "",
	"sys/devices/usb1/1-1/1-1.3/idVendor":                               "1209\n",
	"sys/devices/usb1/1-1/1-1.3/idProduct":                              "0001\n",
	"sys/devices/usb1/1-1/1-1.3/manufacturer":                           "Fen\n",
	"sys/devices/usb1/1-1/1-1.3/product":                                "Board\xff\n",
	"sys/devices/usb1/1-1/1-1.3/serial":                                 "A7\n",
	"sys/class/tty/ttyACM2":                                             "-> ../../devices/usb1/1-1/1-1.4/1-1.4:1.0/tty/ttyACM2",
	"sys/devices/usb1/1-1/1-1.4/1-1.4:1.0/tty/ttyACM2/device":           "-> ../..",
	"sys/devices/usb1/1-1/1-1.4/idVendor":                               "1209\n",
	"sys/class/tty/ttyS0":                                               "-> ../../devices/platform/serial/tty/ttyS0",
	"sys/devices/platform/serial/tty/ttyS0/device":                      "-> ../..",
	"sys/devices/platform/serial/tty/ttyS0/type":                        "0\n",
	"sys/class/tty/ttyUSB2":                                             "-> ../../devices/usb1/1-1/1-1.5/1-1.5:1.0/ttyUSB2/tty/ttyUSB2",
	"sys/devices/usb1/1-1/1-1.5/1-1.5:1.0/ttyUSB2/tty/ttyUSB2/device":   "-> ../..",
	"sys/class/tty/tty1/active":                                         "1",
	"dev/serial/by-path/pci-0000:00:14.0-usb-0:1.3:1.0-port0":           "-> ../../ttyUSB10",
	"dev/serial/by-id/usb-Fen_Board_A7-if00-port0":                      "-> ../../ttyUSB10",
	"dev/undercroft/socket-pci-0000_00_14_0-usb-0_1_3":                  "-> ../ttyUSB10",
	"proc/71/comm":    "undercroft\n",
	"proc/71/cmdline": "/usr/bin/undercroft\x00serve\x00",
	"proc/71/fd/3":    "-> /dev/ttyUSB10",
	"proc/71/fd/4":    "-> /dev/ttyUSB10",
	"proc/72/comm":    "undercroft\n",
	"proc/72/cmdline": "undercroft\x00virtual\x00",
	"proc/72/fd/5":    "-> /dev/ptmx",
	"proc/72/fd/6":    "-> /dev/pts/4",
	"proc/self/fd/0":  "-> /dev/null",
}

func TestListReadsNamesBusAndOrder(t *testing.T) {
	got, err := List(tree(t, cellar))
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 3 || got[0].Device != "/dev/ttyACM2" || got[1].Device != "/dev/ttyUSB2" || got[2].Device != "/dev/ttyUSB10" {
		t.Fatalf("%+v: wanted ttyACM2, ttyUSB2, ttyUSB10, and no port without hardware", got)
	}
	p := got[2]
	want := Port{
		Device: "/dev/ttyUSB10", Driver: "adapter", Vendor: "1209", Product: "0001", Maker: "Fen", Model: "Board\ufffd", Serial: "A7", Socket: "1-1.3",
		Names: []string{"/dev/serial/by-path/pci-0000:00:14.0-usb-0:1.3:1.0-port0", "/dev/undercroft/socket-pci-0000_00_14_0-usb-0_1_3", "/dev/serial/by-id/usb-Fen_Board_A7-if00-port0"},
	}
	if a, b := text(t, p), text(t, want); a != b {
		t.Errorf("got  %s\nwant %s", a, b)
	}
}

func text(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestHoldersNameEachProcessOnce(t *testing.T) {
	root := tree(t, cellar)
	by, all := Holders(root)
	if got := by["/dev/ttyUSB10"]; !all || len(got) != 1 || got[0] != (Process{71, "undercroft"}) {
		t.Errorf("%v, all %v", got, all)
	}
	if got := by["/dev/pts/4"]; got != nil {
		t.Errorf("who plays the machine counts as holding its port: %v", got)
	}
	if got := Running(root, "undercroft", "serve", 0); len(got) != 1 || got[0].PID != 71 {
		t.Errorf("daemons: %v", got)
	}
	if got := Running(root, "undercroft", "serve", 71); got != nil {
		t.Errorf("itself: %v", got)
	}
}

func TestNamePutsPrintersToPorts(t *testing.T) {
	list := Name([]Port{{Device: "/dev/null"}}, []Configured{
		{"Bittern", "/dev/null", 250000}, {"Egret", "tcp://shed:2000", 115200}, {"Heron", "/dev/no-such-port", 115200},
	})
	if len(list) != 3 || list[0].Printer != "Bittern" || list[1].Device != "tcp://shed:2000" || list[1].Printer != "Egret" {
		t.Fatalf("%+v", list)
	}
	if a := list[2].Answer; list[2].Printer != "Heron" || a == nil || !strings.Contains(a.Text, "not there") {
		t.Errorf("%+v", list[2])
	}
}

// board is a port with firmware behind it that understands one rate.
type board struct {
	in   *io.PipeReader
	out  *io.PipeWriter
	mute bool
	junk bool
}

func (b *board) Read(p []byte) (int, error) { return b.in.Read(p) }
func (b *board) Close() error               { return b.in.Close() }

func (b *board) Write(p []byte) (int, error) {
	answer := ""
	switch {
	case b.mute:
	case b.junk:
		answer = "\x80\xfe\x00\x81"
	case strings.Contains(string(p), "M115"):
		answer = "FIRMWARE_NAME:Fenland 2 PROTOCOL_VERSION:1.0\nok\n"
	case len(p) > 1:
		answer = "ok\n"
	}
	if answer != "" {
		go func() { _, _ = io.WriteString(b.out, answer) }()
	}
	return len(p), nil
}

func TestAskFindsTheRateInBoundedTime(t *testing.T) {
	for name, c := range map[string]struct {
		open func(baud int) (link.Port, error)
		baud int
		says string
	}{
		"second rate": {func(baud int) (link.Port, error) {
			r, w := io.Pipe()
			return &board{in: r, out: w, junk: baud != 250000}, nil
		}, 250000, "Fenland 2, at 250000 baud"},
		"silent":   {func(int) (link.Port, error) { r, w := io.Pipe(); return &board{in: r, out: w, mute: true}, nil }, 0, "nothing answers"},
		"not ours": {func(int) (link.Port, error) { r, w := io.Pipe(); return &board{in: r, out: w, junk: true}, nil }, 0, "not as printer firmware does"},
		"denied":   {func(int) (link.Port, error) { return nil, fmt.Errorf("open: %w", link.ErrPortDenied) }, 0, "dialout"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				a := Ask(context.Background(), func(_ string, baud int) (link.Port, error) { return c.open(baud) }, "/dev/fen", UsualBauds)
				if a.Baud != c.baud || !strings.Contains(a.Text, c.says) {
					t.Errorf("%+v", a)
				}
				if took := time.Since(began); took > 2*patience+time.Second {
					t.Errorf("it took %v", took)
				}
			})
		})
	}
}

// A port that somebody holds, or that has its answer, is left alone.
func TestHeldPortsAreNotOpened(t *testing.T) {
	list := []Port{{Device: "/dev/a", HeldBy: []Process{{1, "x"}}}, {Device: "/dev/b", Answer: &Answer{Text: "not there"}}}
	AskAll(context.Background(), func(path string, _ int) (link.Port, error) {
		t.Errorf("%s was opened", path)
		return nil, io.EOF
	}, list, func(*Port) []int { return UsualBauds })
}
