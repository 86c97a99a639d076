// Package config reads Undercroft's configuration: one TOML file with what does
// not change from day to day. It is read strictly, and everything that is wrong
// with it is said at once, each with its place and with what was meant.
package config

import (
	"net"
	"os"
	"path/filepath"
	"time"
	_ "time/tzdata" // time zones must load on machines without a zone database

	"undercroft/gcode/motion"
	"undercroft/queue"
)

// Config is a file that was read without a problem. File names in it are
// absolute, or relative to the working directory as the file's own name was.
type Config struct {
	Path     string // the file
	House    House
	Circuits []Circuit
	Printers []Printer
	Surfaces queue.Surfaces // the owner's table, over the shipped one; nil when there is none
	Calls    []Call         // ways of calling people; the pages are one even when none is written down
	Warnings []Problem      // what is allowed and probably not meant
}

// What House.TLS can be.
const (
	TLSOff      = "off"
	TLSSelfMade = "self-made"
)

// House is what concerns the whole daemon.
type House struct {
	Title          string // heading of the pages
	TimeZone       string // name in the IANA database
	Location       *time.Location
	Listen         string        // host:port
	Loopback       bool          // Listen is reachable from this computer only
	DataDir        string        // the daemon's files
	Hosts          []string      // further names under which the pages may be asked for
	TLS            string        // TLSOff or TLSSelfMade; without meaning when a certificate is given
	TLSCertificate string        // the owner's, PEM; empty when none is given
	TLSKey         string        // its key, PEM
	StartDelay     time.Duration // from 'cleared' to the next start
	Pace           float64       // house seconds per real second; above 1 for virtual printers only
	Inbox          string        // folder from which files are taken; empty: none
	AllowCodes     []string      // codes that files may use although they are refused otherwise
}

// Circuit is one breaker-protected branch.
type Circuit struct {
	Name            string
	Volts           float64
	BreakerA        float64
	ContinuousShare float64 // of the breaker's rating, above 0, at most 1
	StandingW       float64 // what else always hangs on it
}

// LimitW is what the owner allows on the circuit in all, in watts. It is an
// estimate for planning, not protection.
func (c Circuit) LimitW() float64 { return c.Volts * c.BreakerA * c.ContinuousShare }

// Printer is one machine.
type Printer struct {
	Name             string
	Kind             string
	Path             string // of the serial port
	Baud             int
	WindowBytes      int // 0: the link finds out
	VolumeMM         [3]float64
	OriginMM         [2]float64 // where X0 Y0 lies from the bed's front left corner
	MaxNozzleC       float64
	MaxBedC          float64
	HeatingW         float64 // drawn while heating up
	SteadyW          float64 // drawn while printing
	Circuit          string
	CoolBelowC       float64        // a plate colder than this may be cleared
	Limits           *motion.Limits // nil: as the firmware reports them
	StallAfter       time.Duration  // 0: the built-in time
	RunoutFailsAfter time.Duration  // waiting for filament longer than this fails the run
	ParkGCode        []string       // nil: the built-in one
	EndGCode         []string       // behind it, when a run was stopped
	HeldAtMM         *[2]float64    // where the nozzle of a held run waits; nil: the corner farthest from the piece
	HeldNozzleC      *float64       // what a held run is let cool to; nil: it keeps its heat
	HeldBedC         *float64
	HeldCoolsAfter   time.Duration
	PrimeMM          float64   // filament pushed out before a held run goes on
	PurgeMM          float64   // the same after another reel was loaded
	CallsHere        []string  // commands of files that call for a person here, not in the firmware
	Clearing         *Clearing // nil: only a person clears the plate
}

// Clearing is the owner's own routine to clear a plate.
type Clearing struct {
	GCode    string
	MaxInRow int // runs in a row before a person must look
}

// maxBytes bounds the file; a long list of printers has some 20 kB.
const maxBytes = 1 << 20

// Load reads and checks the file at path. The error is a *Invalid when the file
// could be read and something in it is wrong.
func Load(path string) (*Config, error) {
	data, err := readBounded(path)
	if err != nil {
		return nil, err
	}
	return parse(path, data)
}

// parse is Load for a file's bytes; path names it and anchors relative names.
func parse(path string, data []byte) (*Config, error) {
	r, root, err := read(path, data)
	if err != nil {
		return nil, err
	}
	c := &Config{Path: path}
	r.house(c, root)
	r.circuits(c, root)
	r.printers(c, root)
	r.surfaces(c, root)
	r.calls(c, root)
	root.done()
	r.across(c)
	if err := r.invalid(); err != nil {
		return nil, err
	}
	c.Warnings = r.warnings()
	return c, nil
}

// besides makes a name in the file relative to the file's own directory.
func (r *reader) besides(name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(r.path), name)
}

func readBounded(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, &Unreadable{Path: path, Err: err}
	}
	if info.IsDir() || info.Size() > maxBytes {
		return nil, &Unreadable{Path: path, Err: errNotAFile}
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, &Unreadable{Path: path, Err: err}
	}
	return data, nil
}

// isLoopback reports whether an address can be reached from this computer only.
func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
