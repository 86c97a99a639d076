package config

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"undercroft/gcode/motion"
)

var update = flag.Bool("update", false, "write the golden file anew")

// base is a small file without a problem; each case breaks it in one way.
const base = `[house]
time_zone = "Europe/Amsterdam"
data = "files"

[[circuit]]
name = "north"
volts = 230
breaker_a = 16
standing_w = 100

[[printer]]
name = "Bittern"
kind = "broad"
path = "/dev/serial/by-path/one"
baud = 250000
volume_mm = [400, 400, 450]
max_nozzle_c = 275
max_bed_c = 105
heating_w = 980
steady_w = 310
circuit = "north"

[[printer]]
name = "Merel"
kind = "broad"
path = "/dev/serial/by-path/two"
baud = 250000
volume_mm = [400, 400, 450]
max_nozzle_c = 275
max_bed_c = 105
heating_w = 980
steady_w = 310
circuit = "north"
`

const limits = `
[printer.limits]
max_feed_mm_s = [200, 200, 12, 80]
max_accel_mm_s2 = [1500, 1500, 100, 5000]
accel_print_mm_s2 = 1000
junction_deviation_mm = 0.013
`

func TestExampleLoads(t *testing.T) {
	path := filepath.Join(t.TempDir(), "undercroft.toml")
	if err := os.WriteFile(path, []byte(Example()), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Warnings) != 0 {
		t.Errorf("the example warns: %v", c.Warnings)
	}
	want := Printer{
		Name: "Dunlin", Kind: "fine", Path: "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0", Baud: 115200, WindowBytes: 120,
		VolumeMM: [3]float64{220, 220, 240}, MaxNozzleC: 260, MaxBedC: 90, HeatingW: 330, SteadyW: 120, Circuit: "north wall", CoolBelowC: 40,
		Limits: &motion.Limits{
			MaxFeedMMs: [4]float64{200, 200, 12, 80}, MaxAccelMMs2: [4]float64{1500, 1500, 100, 5000},
			AccelPrintMMs2: 1000, AccelRetractMMs2: 1500, AccelTravelMMs2: 1500, JunctionDeviationMM: 0.013,
			StepsPerMM: [4]float64{80, 80, 400, 95}, MinSegmentMS: 20,
		},
		StallAfter: 4 * time.Minute, RunoutFailsAfter: 12 * time.Hour, EndGCode: []string{"M84"},
		HeldNozzleC: new(float64), HeldCoolsAfter: 30 * time.Minute, PrimeMM: 3, PurgeMM: 40,
		ParkGCode: []string{"G91", "G1 Z5 F600", "G90", "G1 X10 Y210 F6000"},
		Clearing:  &Clearing{GCode: "G28\nG1 Z2 F600\nG1 X110 Y215 F6000\nG1 Y5 F1800\n", MaxInRow: 1},
	}
	if got := c.Printers[1]; !reflect.DeepEqual(got, want) {
		t.Errorf("Dunlin was read as\n%+v, wanted\n%+v", got, want)
	}
	h := c.House
	if h.Title != "The cellar" || h.Location == nil || h.Location.String() != "Europe/Amsterdam" || h.Listen != "127.0.0.1:8017" || !h.Loopback ||
		h.DataDir != filepath.Join(filepath.Dir(path), "undercroft-data") || h.StartDelay != time.Minute || h.TLS != TLSOff {
		t.Errorf("the house was read as %+v", h)
	}
}

// TestExampleHasEveryKey takes each key out of the example's own words: a key
// that Load knows and the example does not name would be hidden from its reader.
func TestExampleHasEveryKey(t *testing.T) {
	r, root, err := read("example.toml", []byte(Example()))
	if err != nil {
		t.Fatal(err)
	}
	c := &Config{}
	r.house(c, root)
	r.circuits(c, root)
	r.printers(c, root)
	tables := []*table{root.value("house").table, root.value("circuit").items[0].table, root.value("printer").items[1].table}
	tables = append(tables, tables[2].value("limits").table)
	for _, tb := range tables {
		for _, key := range tb.asked {
			if !strings.Contains(Example(), key+" = ") && !strings.Contains(Example(), "["+key) && key != "limits" {
				t.Errorf("the example does not show %s of %s", key, tb.name)
			}
		}
	}
}

func TestDefaults(t *testing.T) {
	c, err := parse("house.toml", []byte(base))
	if err != nil {
		t.Fatal(err)
	}
	p, k := c.Printers[0], c.Circuits[0]
	if c.House.Listen != "127.0.0.1:8017" || c.House.StartDelay != time.Minute || c.House.DataDir != "files" {
		t.Errorf("house: %+v", c.House)
	}
	if p.CoolBelowC != 45 || p.RunoutFailsAfter != 12*time.Hour || p.Limits != nil || p.Clearing != nil || p.ParkGCode != nil || p.WindowBytes != 0 {
		t.Errorf("printer: %+v", p)
	}
	// 16 A × 230 V × 0.8 = 2944 W: arithmetic; 0.8 is one country's rule (NEC art. 210, at second hand).
	if k.ContinuousShare != 0.8 || k.LimitW() != 2944 {
		t.Errorf("circuit: %+v, limit %v W", k, k.LimitW())
	}
}

// limitsAfter is the end of the base file.
const limitsAfter = "path = \"/dev/serial/by-path/two\"\nbaud = 250000\nvolume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n"

// cases break the base file: what stands in the first is replaced by the second.
var cases = []struct{ name, old, new string }{
	{"syntax", "volts = 230", "volts = = 230"},
	{"a text that does not end", `name = "north"`, `name = "north`},
	{"the same key twice", "volts = 230", "volts = 230\nvolts = 231"},
	{"empty file", base, ""},
	{"unknown key, near one", "data =", "date ="},
	{"unknown key, near one that is there", "volts = 230", "volts = 230\nvoltz = 230"},
	{"unknown key, other unit", "volume_mm =", "volume_cm ="},
	{"unknown key, unit left out", "heating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "heating = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"unknown key, near nothing", "volts = 230", "volts = 230\ncolour = \"grey\""},
	{"unknown table", "[[circuit]]", "[[circuits]]"},
	{"unknown table, near nothing", "[house]", "[weather]\nrain = true\n\n[house]"},
	{"one table where a list is meant", "[[circuit]]", "[circuit]"},
	{"a list where one table is meant", "[house]", "[[house]]"},
	{"a key outside any table", "[house]", "title = \"The cellar\"\n[house]"},
	{"a table that is no table", "[house]\ntime_zone = \"Europe/Amsterdam\"\ndata = \"files\"", "house = 3"},
	{"missing keys", "breaker_a = 16\n", ""},
	{"missing keys of a printer", "path = \"/dev/serial/by-path/two\"\nbaud = 250000\n", ""},
	{"a text for a number", "breaker_a = 16", `breaker_a = "sixteen"`},
	{"a number with its unit", "heating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "heating_w = \"0.98 kW\"\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"a number in quotes", "max_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "max_bed_c = \"105\"\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"a number for a text", `name = "Merel"`, "name = 7"},
	{"true for a number", "volts = 230", "volts = true"},
	{"a date for a text", `name = "Merel"`, "name = 2026-12-06"},
	{"a number that is none", "volts = 230", "volts = nan"},
	{"an empty text", `name = "Merel"`, `name = " "`},
	{"an impossible name", `name = "Merel"`, `name = "Merel/2"`},
	{"out of range", "max_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "max_nozzle_c = 2750\nmax_bed_c = -1\nheating_w = 0\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"a share above one", "standing_w = 100", "standing_w = 100\ncontinuous_share = 80"},
	{"a share in per cent", "standing_w = 100", "standing_w = 100\ncontinuous_share = \"80 %\""},
	{"an empty list", base, "printer = []\n" + base[:strings.Index(base, "[[printer]]")]},
	{"a very long line", base, strings.Replace(base, "north", strings.Repeat("north ", 60)+"/", 1)},
	{"a long line before the place", base, strings.Replace(base, "data =", "allow_codes = ["+strings.Repeat("\"M500\", ", 60)+"\"x\"]\ndata =", 1)},
	{"printers as texts and tables", base, "printer = [\"Bittern\", { name = \"Merel\", circuit = \"north\" }]\n" + base[:strings.Index(base, "[[printer]]")]},
	{"half a baud", "baud = 250000\nvolume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "baud = 115200.5\nvolume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"volume as a text", "volume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "volume_mm = \"400 x 400 x 450\"\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"volume with two sides", "volume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "volume_mm = [400, 400]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"a side of nothing", "volume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "volume_mm = [400, 0, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"time zone", "Europe/Amsterdam", "Europe/Amsterdamned"},
	{"time zone of this machine", "Europe/Amsterdam", "Local"},
	{"listen without a port", "data =", "listen = \"127.0.0.1\"\ndata ="},
	{"listen on a word for a port", "data =", "listen = \"127.0.0.1:web\"\ndata ="},
	{"another kind of encryption", "data =", "listen = \"0.0.0.0:8017\"\ntls = \"on\"\ndata ="},
	{"a certificate that is not there", "data =", "tls_certificate = \"nowhere.crt\"\ntls_key = \"nowhere.key\"\ndata ="},
	{"a certificate without a key", "data =", "tls_certificate = \"house.toml\"\ndata ="},
	{"a key without a certificate", "data =", "tls_key = \"house.toml\"\ndata ="},
	{"a certificate and a self-made one", "data =", "tls = \"self-made\"\ntls_certificate = \"house.toml\"\ntls_key = \"house.toml\"\ndata ="},
	{"start delay without a unit", "data =", "start_delay = 60\ndata ="},
	{"start delay in words", "data =", "start_delay = \"a minute\"\ndata ="},
	{"start delay before now", "data =", "start_delay = \"-5s\"\ndata ="},
	{"start delay of a day", "data =", "start_delay = \"24h\"\ndata ="},
	{"allow codes", "data =", "allow_codes = [\"M500\", \"m501\", 502]\ndata ="},
	{"a standing load above the limit", "standing_w = 100", "standing_w = 3000"},
	{"a printer that its circuit cannot feed", "standing_w = 100", "standing_w = 2000"},
	{"steady above heating", "steady_w = 310\ncircuit = \"north\"\n\n", "steady_w = 1310\ncircuit = \"north\"\n\n"},
	{"an unknown circuit", "circuit = \"north\"\n\n", "circuit = \"nort\"\n\n"},
	{"an unknown circuit, near none", "circuit = \"north\"\n\n", "circuit = \"attic\"\n\n"},
	{"the same name twice", `name = "Merel"`, `name = "bittern"`},
	{"the same path twice", "by-path/two", "by-path/one"},
	{"clearing given twice", "circuit = \"north\"\n\n", "circuit = \"north\"\nclearing_gcode = \"G28\"\nclearing_file = \"clear.gcode\"\n\n"},
	{"clearing file that is not there", "circuit = \"north\"\n\n", "circuit = \"north\"\nclearing_file = \"clear.gcode\"\n\n"},
	{"clearing without a command", "circuit = \"north\"\n\n", "circuit = \"north\"\nclearing_gcode = \"; nothing\"\n\n"},
	{"clearing count alone", "circuit = \"north\"\n\n", "circuit = \"north\"\nclearing_max_in_row = 2\n\n"},
	{"limits as a number", "circuit = \"north\"\n\n", "circuit = \"north\"\nlimits = 3\n\n"},
	{"limits by halves", "circuit = \"north\"\n\n", "circuit = \"north\"\n[printer.limits]\nmax_feed_mm_s = [200, 200, 12]\n\n"},
	{"both corner models", "circuit = \"north\"\n\n", "circuit = \"north\"\n" + limits + "jerk_mm_s = [8, 8, 0.4, 5]\n\n"},
	{"feed per minute", "circuit = \"north\"\n\n", "circuit = \"north\"\n" + strings.Replace(limits, "accel_print_mm_s2 = 1000", `accel_print_mm_s2 = "1 m/s²"`, 1) + "\n"},
	{"a tab and letters of two bytes before the place", "volts = 230", "volts\t=\t\"é\""},
	{"Windows line ends", base, strings.ReplaceAll(strings.Replace(base, "volts = 230", "volts = true", 1), "\n", "\r\n")},
	{"several at once", base, strings.NewReplacer("volts = 230", `volts = "mains"`, "data =", "dta =", `"Europe/Amsterdam"`, `"Mars"`, "baud = 250000", "baud = 0").Replace(base)},
	{"an inline table", "circuit = \"north\"\n\n", "circuit = \"north\"\nlimits = { max_fed_mm_s = [1, 1, 1, 1] }\n\n"},
	{"dotted keys", "[house]\n", "[house]\ndoor.token = \"x\"\n"},
	{"warning: port by number", "/dev/serial/by-path/one", "/dev/ttyUSB0"},
	{"warning: kind of two volumes", "volume_mm = [400, 400, 450]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n", "volume_mm = [400, 400, 400]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 980\nsteady_w = 310\ncircuit = \"north\"\n\n"},
	{"warning: kind of two limits", "circuit = \"north\"\n\n", "circuit = \"north\"\n" + limits + "\n"},
	{"warning: centimetres", "volume_mm = [400, 400, 450]", "volume_mm = [40, 40, 39]"},
	{"a call to nowhere", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"pigeon\"\n"},
	{"a call that says too little", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"mail\"\n"},
	{"a call with everything wrong", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"mail\"\nserver = \"mail.example.org\"\nuser = \"u\"\nfrom = \"a\\r\\nBcc: b@example.org\"\naddresses = [\"nobody\"]\nfor = [\"plates\"]\nquiet = \"at night\"\ntls = \"perhaps\"\n"},
	{"a password in clear", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"mail\"\nserver = \"mail.example.org:25\"\ntls = \"off\"\nuser = \"u\"\npassword_file = \"no-such-file\"\nfrom = \"a@example.org\"\naddresses = [\"b@example.org\"]\n"},
	{"a webhook to a file", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"webhook\"\nurl = \"file:///etc/passwd\"\nsecret_file = \"no-such-file\"\n"},
	{"the pages twice", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"pages\"\n\n[[call]]\nname = \"X\"\nto = \"pages\"\n"},
	{"quiet hours without a word on alarms", limitsAfter, limitsAfter + "\n[[call]]\nname = \"x\"\nto = \"pages\"\nquiet = \"daily 22:30-07:00\"\n"},
}

// TestProblems compares what each broken file is told with the golden file, word
// for word.
func TestProblems(t *testing.T) {
	var got strings.Builder
	for _, c := range cases {
		file := strings.Replace(base, c.old, c.new, 1)
		if file == base {
			t.Fatalf("%s: the case changes nothing", c.name)
		}
		config, err := parse("house.toml", []byte(file))
		fmt.Fprintf(&got, "== %s\n", c.name)
		var bad *Invalid
		switch {
		case err == nil && strings.HasPrefix(c.name, "warning") && len(config.Warnings) > 0:
			for _, w := range config.Warnings {
				fmt.Fprintf(&got, "(warning) %s\n", w)
			}
		case err == nil:
			t.Errorf("%s: nothing was wrong", c.name)
		case !errors.As(err, &bad) || len(bad.Problems) == 0:
			t.Errorf("%s: %v is no *Invalid with problems", c.name, err)
		default:
			fmt.Fprintf(&got, "%v\n", err)
		}
		got.WriteString("\n")
	}
	path := filepath.Join("testdata", "problems.txt")
	if *update {
		if err := os.WriteFile(path, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("the words differ from %s (go test -update writes them anew):\n%s", path, got.String())
	}
}

func TestFilesBeside(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), mode); err != nil {
			t.Fatal(err)
		}
	}
	write("clear.gcode", "G28\n", 0o600)
	write("house.toml", strings.NewReplacer(
		"data =", "listen = \"192.0.2.17:8017\"\ntls = \"off\"\ndata =",
		"circuit = \"north\"\n\n", "circuit = \"north\"\nclearing_file = \"clear.gcode\"\nclearing_max_in_row = 3\n\n").Replace(base), 0o600)
	c, err := Load(filepath.Join(dir, "house.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if c.House.Loopback || c.House.TLS != TLSOff || c.House.DataDir != filepath.Join(dir, "files") {
		t.Errorf("house: %+v", c.House)
	}
	if k := c.Printers[0].Clearing; k == nil || k.GCode != "G28\n" || k.MaxInRow != 3 {
		t.Errorf("clearing: %+v", k)
	}
	if len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0].Text, "in clear") {
		t.Errorf("passwords in clear: warnings %v", c.Warnings)
	}
}

func TestUnreadable(t *testing.T) {
	dir := t.TempDir()
	for name, want := range map[string]string{
		filepath.Join(dir, "none.toml"): "there is no configuration at ",
		dir:                             "not an ordinary file",
	} {
		_, err := Load(name)
		var bad *Unreadable
		if !errors.As(err, &bad) || !strings.Contains(err.Error(), want) {
			t.Errorf("Load(%s): %v", name, err)
		}
	}
}

func TestLoadLimits(t *testing.T) {
	path := filepath.Join(t.TempDir(), "limits.toml")
	text := `max_feed_mm_s = [200, 200, 12, 80]
max_accel_mm_s2 = [1500, 1500, 100, 5000]
accel_print_mm_s2 = 1000
accel_travel_mm_s2 = 2000
jerk_mm_s = [8, 8, 0.4, 5]
steps_per_mm = [80, 80, 400, 93]
min_segment_ms = 0
`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, err := LoadLimits(path)
	want := motion.Limits{
		MaxFeedMMs: [4]float64{200, 200, 12, 80}, MaxAccelMMs2: [4]float64{1500, 1500, 100, 5000},
		AccelPrintMMs2: 1000, AccelRetractMMs2: 1000, AccelTravelMMs2: 2000, JerkMMs: [4]float64{8, 8, 0.4, 5},
		StepsPerMM: [4]float64{80, 80, 400, 93},
	}
	if err != nil || got != want {
		t.Errorf("read %+v, %v", got, err)
	}
	if err := os.WriteFile(path, []byte("max_feed_mm_s = 200\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = LoadLimits(path)
	var bad *Invalid
	if !errors.As(err, &bad) || len(bad.Problems) != 4 {
		t.Errorf("a file by halves: %v", err)
	}
}

// FuzzParse holds that no bytes make reading panic, and that every problem has
// words and a place inside the file.
func FuzzParse(f *testing.F) {
	f.Add([]byte(base))
	f.Add([]byte(Example()))
	for _, c := range cases {
		f.Add([]byte(strings.Replace(base, c.old, c.new, 1)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := parse("fuzz.toml", data)
		var bad *Invalid
		switch {
		case err == nil:
			if len(c.Printers) == 0 || len(c.Circuits) == 0 || c.House.Location == nil {
				t.Errorf("accepted, but read as %+v", c)
			}
		case !errors.As(err, &bad) || len(bad.Problems) == 0:
			t.Errorf("no problem named: %v", err)
		default:
			for _, p := range bad.Problems {
				if p.Text == "" || p.Line > strings.Count(string(data), "\n")+1 {
					t.Errorf("a problem without place or words: %+v", p)
				}
			}
		}
	})
}

func TestCalls(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"mail.password": "swan\n", "hook.secret": "0123456789abcdef\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// The example's own calls, without the marks that keep them out.
	_, after, found := strings.Cut(Example(), "# [[call]]\n")
	if !found {
		t.Fatal("the example shows no call")
	}
	var text strings.Builder
	for line := range strings.Lines(base + "\n# [[call]]\n" + after) {
		text.WriteString(strings.TrimPrefix(line, "# "))
	}
	c, err := parse(filepath.Join(dir, "house.toml"), []byte(text.String()))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Calls) != 3 || c.Calls[0].TLS != "tls" || c.Calls[0].PasswordFile != filepath.Join(dir, "mail.password") || c.Calls[0].Quiet.String() == "" || c.Calls[0].HoldsAlarms || c.Calls[1].URL == "" || len(c.Calls[2].For) != 3 {
		t.Errorf("read as %+v", c.Calls)
	}
	if len(c.Warnings) > 0 {
		t.Errorf("warnings: %v", c.Warnings)
	}
}
