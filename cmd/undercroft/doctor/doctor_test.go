package doctor

import (
	"strings"
	"testing"
	"time"
)

// sound is an installation with nothing to say against it. The circuit is the
// worked example of NEC 210.20(A) at second hand: 15 A × 120 V × 0.8 = 1440 W.
func sound() Facts {
	yes := true
	return Facts{
		User: "merel", Config: "undercroft.toml",
		Ports: []PortFact{{Printer: "Bittern", Path: "/dev/undercroft/socket-1", Group: "dialout"}},
		Now:   time.Date(2026, 11, 25, 21, 0, 0, 0, time.UTC), Built: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), Synced: &yes,
		Zone: "Europe/Amsterdam", ZoneHere: "Europe/Amsterdam",
		Data:     DataFact{Dir: "/data", There: true, FreeBytes: 8e9, DiskBytes: 16e9, Bytes: 40e6, BytesADay: 1e6},
		Circuits: []CircuitFact{{Name: "north wall", Volts: 120, BreakerA: 15, Share: 0.8, Printers: 5, HeatingW: 5 * 279, SteadyW: 5 * 190}},
		Listen:   ListenFact{Address: "127.0.0.1:8017", Loopback: true},
		Daemons:  []int{71},
	}
}

func TestNothingIsWrongWithASoundOne(t *testing.T) {
	list := Judge(sound())
	if Worst(list) != Fine {
		t.Errorf("%+v", list)
	}
	subjects := map[string]bool{}
	for _, f := range list {
		subjects[f.Subject] = true
	}
	if len(subjects) != 9 {
		t.Errorf("%d subjects were judged: %v", len(subjects), subjects)
	}
}

// TestEachFault takes one thing away at a time: exactly that is found, at its
// level, and with a way to mend it.
func TestEachFault(t *testing.T) {
	no := false
	for name, c := range map[string]struct {
		spoil   func(*Facts)
		subject string
		level   Level
		says    string
		mend    string
	}{
		"bad configuration": {func(f *Facts) { f.ConfigErr = "undercroft.toml:3:1: what" }, "configuration", Problem, "undercroft.toml:3:1", "serve --example"},
		"a warning":         {func(f *Facts) { f.Warnings = []string{"path may change"} }, "configuration", Warning, "path may change", "reload"},
		"two daemons":       {func(f *Facts) { f.Daemons = []int{71, 80} }, "daemon", Warning, "71, 80", "kill -TERM"},
		"no daemon":         {func(f *Facts) { f.Daemons = nil }, "daemon", Note, "no daemon", "systemctl start"},
		"no port":           {func(f *Facts) { f.Ports[0].Missing = "not there" }, "ports", Problem, "Bittern", "undercroft ports"},
		"port held":         {func(f *Facts) { f.Ports[0].HeldBy = []string{"modem-manager (process 5)"} }, "ports", Problem, "process 5", "End that program"},
		"port denied":       {func(f *Facts) { f.Ports[0].Denied = true }, "ports", Problem, "merel may not open", "usermod -aG dialout merel"},
		"behind the network": {func(f *Facts) { f.Ports[0] = PortFact{Printer: "Egret", Path: "tcp://shed:2000", Remote: true} },
			"ports", Note, "Egret is behind the network", ""},
		"clock of 1970":   {func(f *Facts) { f.Now = time.Unix(0, 0) }, "clock", Problem, "1970-01-01", "set-ntp"},
		"clock too early": {func(f *Facts) { f.Now = f.Built.AddDate(0, -1, 0) }, "clock", Problem, "before this program was made", "set-ntp"},
		"not synced":      {func(f *Facts) { f.Synced = &no }, "clock", Warning, "not kept by the network", "set-ntp"},
		"another zone":    {func(f *Facts) { f.ZoneHere = "Etc/UTC" }, "time zone", Note, "Etc/UTC", "set-timezone Europe/Amsterdam"},
		"read-only":       {func(f *Facts) { f.Data.Unwritable = "read-only file system" }, "disk", Problem, "read-only", "mount"},
		"nearly full":     {func(f *Facts) { f.Data.FreeBytes = 200e6 }, "disk", Warning, "200.0 MB", "Make room"},
		"full":            {func(f *Facts) { f.Data.FreeBytes = 1e6 }, "disk", Problem, "1.0 MB", "Make room"},
		"grows fast":      {func(f *Facts) { f.Data.BytesADay = 400e6 }, "disk", Warning, "room for 20 days", "larger disk"},
		"damaged":         {func(f *Facts) { f.Data.Faults = []string{"job 3: two runs"} }, "database", Problem, "job 3", "backup"},
		"not a database":  {func(f *Facts) { f.Data.CheckErr = "the database is damaged" }, "database", Problem, "damaged", "backup"},
		"none yet":        {func(f *Facts) { f.Data.There = false }, "database", Note, "none yet", "first start"},
		"share too large": {func(f *Facts) { f.Circuits[0].Share = 1 }, "circuits", Warning, "above 0.80", "continuous_share"},
		"eight printers":  {func(f *Facts) { f.Circuits[0].Printers, f.Circuits[0].SteadyW = 8, 8*190 }, "circuits", Note, "1520 W when all print", "another circuit"},
		"no printers":     {func(f *Facts) { f.Circuits[0].Printers = 0 }, "circuits", Note, "no printer", "configuration"},
		"address taken":   {func(f *Facts) { f.Listen.Taken = "address already in use" }, "door", Problem, "in use", "listen"},
		"open to nobody":  {func(f *Facts) { f.Listen.Loopback = false }, "door", Problem, "nobody is written down", "people add"},
		"in clear":        {func(f *Facts) { f.Listen = ListenFact{Address: "192.0.2.1:80", People: 1, TLSOff: true} }, "door", Warning, "not encrypted", "tls"},
	} {
		f := sound()
		c.spoil(&f)
		var found []Finding
		for _, x := range Judge(f) {
			if x.Level != Fine {
				found = append(found, x)
			}
		}
		if len(found) != 1 {
			t.Errorf("%s: %d findings, want one: %+v", name, len(found), found)
			continue
		}
		if x := found[0]; x.Subject != c.subject || x.Level != c.level || !strings.Contains(x.What, c.says) || !strings.Contains(x.Mend, c.mend) {
			t.Errorf("%s: %+v", name, x)
		}
	}
}
