package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"undercroft/cmd/undercroft/config"
	"undercroft/cmd/undercroft/doctor"
	"undercroft/cmd/undercroft/ports"
	"undercroft/queue"
	"undercroft/queue/store"
	"undercroft/web/door"
)

// examineTime bounds reading the whole data folder through.
const examineTime = 3 * time.Minute

// doctorFacts looks at this computer. It opens no serial port.
func doctorFacts(named string) doctor.Facts {
	f := doctor.Facts{User: "this user", Root: os.Geteuid() == 0, Now: time.Now(), Built: built(), Synced: clockSynced(), ZoneHere: systemZone()}
	if u, err := user.Current(); err == nil {
		f.User = u.Username
	}
	for _, p := range ports.Running("/", "undercroft", "serve", os.Getpid()) {
		f.Daemons = append(f.Daemons, p.PID)
	}
	conf, err := loadConfig(named)
	if err != nil {
		f.ConfigErr = err.Error()
		return f
	}
	f.Config, f.Zone = conf.Path, conf.House.TimeZone
	for _, w := range conf.Warnings {
		f.Warnings = append(f.Warnings, w.Error())
	}
	f.Ports = portFacts(conf, f.Daemons)
	f.Circuits = circuitFacts(conf)
	f.Data = dataFact(conf.House.DataDir, f.Now)
	f.Listen = listenFact(conf, len(f.Daemons) > 0)
	return f
}

// built is when the commit of this program was made, zero when unknown.
func built() time.Time {
	t, err := time.Parse(time.DateOnly, buildDate())
	if err != nil {
		return time.Time{}
	}
	return t
}

// clockSynced asks the kernel whether its clock is kept by a reference.
func clockSynced() *bool {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return nil
	}
	synced := t.Status&unix.STA_UNSYNC == 0
	return &synced
}

// systemZone is the name of this computer's time zone, "" when it does not say.
func systemZone() string {
	to, err := os.Readlink("/etc/localtime")
	if err != nil {
		return ""
	}
	_, name, _ := strings.Cut(to, "zoneinfo/")
	return name
}

func portFacts(conf *config.Config, daemons []int) []doctor.PortFact {
	held, _ := ports.Holders("/")
	var out []doctor.PortFact
	for _, c := range configuredPorts(conf) {
		p := doctor.PortFact{Printer: c.Printer, Path: c.Path, Remote: strings.Contains(c.Path, "://")}
		named := ports.Name(nil, []ports.Configured{c})[0]
		if named.Answer != nil {
			p.Missing = named.Answer.Text
		} else if !p.Remote {
			p.Denied = ports.MayOpen(named.Device) != nil
			p.Group = groupOfFile(named.Device)
			for _, h := range held[named.Device] {
				if !slices.Contains(daemons, h.PID) {
					p.HeldBy = append(p.HeldBy, fmt.Sprintf("%s (process %d)", h.Name, h.PID))
				}
			}
		}
		out = append(out, p)
	}
	return out
}

func groupOfFile(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	g, err := user.LookupGroupId(fmt.Sprint(s.Gid))
	if err != nil {
		return ""
	}
	return g.Name
}

func circuitFacts(conf *config.Config) []doctor.CircuitFact {
	var out []doctor.CircuitFact
	for _, c := range conf.Circuits {
		f := doctor.CircuitFact{Name: c.Name, Volts: c.Volts, BreakerA: c.BreakerA, Share: c.ContinuousShare, StandingW: c.StandingW}
		for _, p := range conf.Printers {
			if p.Circuit == c.Name {
				f.Printers++
				f.HeatingW += p.HeatingW
				f.SteadyW += p.SteadyW
			}
		}
		out = append(out, f)
	}
	return out
}

func dataFact(dir string, now time.Time) doctor.DataFact {
	d := doctor.DataFact{Dir: dir}
	at := dir
	for { // what is not there yet is made by the daemon, in what is
		if _, err := os.Stat(at); !errors.Is(err, fs.ErrNotExist) || at == filepath.Dir(at) {
			break
		}
		at = filepath.Dir(at)
	}
	if err := unix.Access(at, unix.W_OK|unix.X_OK); err != nil {
		d.Unwritable = err.Error()
	}
	d.FreeBytes, d.DiskBytes = diskRoom(at)
	ctx, cancel := context.WithTimeout(context.Background(), examineTime)
	defer cancel()
	size, err := store.Measure(ctx, dir, now)
	if errors.Is(err, queue.ErrNotFound) {
		return d
	}
	d.There, d.Bytes, d.BytesADay = true, size.Bytes, size.BytesADay
	if err == nil {
		var checked store.Checked
		checked, err = store.Check(ctx, dir)
		for _, f := range checked.Faults {
			d.Faults = append(d.Faults, f.Where+": "+f.Text)
		}
	}
	if err != nil {
		d.CheckErr = queue.Words(err)
	}
	return d
}

func listenFact(conf *config.Config, daemon bool) doctor.ListenFact {
	h := conf.House
	l := doctor.ListenFact{Address: h.Listen, Loopback: h.Loopback, TLSOff: h.TLS == config.TLSOff && h.TLSCertificate == ""}
	if b, err := door.OpenBook(filepath.Join(h.DataDir, peopleFile), nil); err == nil {
		people, _ := b.People() // unreadable counts as nobody: so does the daemon
		keys, _ := b.Keys()
		l.People = len(people) + len(keys)
	}
	if !daemon {
		got, err := net.Listen("tcp", h.Listen)
		if err != nil {
			l.Taken = err.Error()
		} else {
			_ = got.Close()
		}
	}
	return l
}

// diskRoom is what the disk under a folder still takes and what it has in all;
// zeros when the system does not say.
func diskRoom(dir string) (free, all uint64) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, 0
	}
	return s.Bavail * uint64(s.Bsize), s.Blocks * uint64(s.Bsize)
}
