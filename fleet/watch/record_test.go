package watch

import (
	"bufio"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// recorded is a temperature report of a recorded conversation.
type recorded struct {
	at      time.Duration
	heaters []Heater
}

var reportPattern = regexp.MustCompile(`\b(T\d?|B|C):(-?[\d.]+) ?/(-?[\d.]+)`)

// recording reads the reports of one recorded conversation, when the device was
// tampered with (negative: never) and when the firmware itself gave up.
func recording(t *testing.T, path string) (reports []recorded, event, error time.Duration) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	event, error = -1, -1
	var at time.Duration
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		kind, rest, _ := strings.Cut(lines.Text(), " ")
		switch kind {
		case "@":
			s, err := strconv.ParseFloat(rest, 64)
			if err != nil {
				t.Fatalf("%s: %q", path, lines.Text())
			}
			at = seconds(s)
		case "!":
			event = at
		case "<":
			if strings.Contains(rest, "system stopped") {
				error = at
			}
			var hs []Heater
			for _, m := range reportPattern.FindAllStringSubmatch(rest, -1) {
				a, _ := strconv.ParseFloat(m[2], 64)
				g, _ := strconv.ParseFloat(m[3], 64)
				hs = append(hs, Heater{Name: m[1], ActualC: a, TargetC: g, Duty: -1})
			}
			if hs != nil {
				reports = append(reports, recorded{at, hs})
			}
		}
	}
	return reports, event, error
}

// replay shows the reports to a watch and returns when each cause first called
// for at least an action.
func replay(reports []recorded, least Action) map[Cause]time.Duration {
	w := New(Options{})
	first := map[Cause]time.Duration{}
	t0 := time.Unix(1000, 0)
	for _, r := range reports {
		at := t0.Add(r.at)
		for _, v := range w.Look(Sample{At: at, Heaters: r.heaters, HeatAt: at, HeardAt: at}) {
			if _, known := first[v.Cause]; !known && v.Action >= least {
				first[v.Cause] = r.at
			}
		}
	}
	return first
}

// The watch sees a heater die before the firmware does: it must not rely on it.
// The recordings are of a running firmware with a modelled heater and sensor.
func TestRecordedHeatFaults(t *testing.T) {
	cases := []struct {
		file   string
		cause  Cause
		within time.Duration // after the device was tampered with
	}{
		{"a-09-hold.txt", BelowTarget, 25 * time.Second}, // the firmware: 44 s
		{"af-09-hold.txt", BelowTarget, 25 * time.Second},
		{"a-09-heat.txt", NotHeating, 25 * time.Second}, // the firmware: 60 s in heating
		{"af-09-heat.txt", NotHeating, 25 * time.Second},
	}
	for _, c := range cases {
		t.Run(c.file, func(t *testing.T) {
			reports, event, firmware := recording(t, filepath.Join("../../testdata/link", c.file))
			at, seen := replay(reports, EndRun)[c.cause]
			if !seen || at < event || at-event > c.within || at >= firmware {
				t.Errorf("%s seen %v at %s; broken at %s, the firmware stopped at %s", c.cause, seen, at, event, firmware)
			}
		})
	}
}

// A sensor that is open while the heater is off: the firmware only says -15 °C,
// and fails once a target is set. It is told at once, and ends nothing.
func TestRecordedOpenSensorWhileCold(t *testing.T) {
	for _, file := range []string{"a-09-coldopen.txt", "af-09-coldopen.txt"} {
		reports, event, firmware := recording(t, "../../testdata/link/"+file)
		at, seen := replay(reports, Warn)[SensorOpen]
		if !seen || at < event || at-event > 5*time.Second || at >= firmware {
			t.Errorf("%s: seen %v at %s, broken at %s, the firmware at %s", file, seen, at, event, firmware)
		}
		if early := replay(reports, EndRun); len(early) != 0 {
			t.Errorf("%s: %v", file, early)
		}
	}
}

// In no recorded conversation without a heat fault does the watch end a run.
func TestNoFalseAlarmInRecordings(t *testing.T) {
	files, _ := filepath.Glob("../../testdata/link/*.txt")
	n := 0
	for _, file := range files {
		name := filepath.Base(file)
		if strings.Contains(name, "-09-") {
			continue
		}
		if strings.HasPrefix(name, "e-") {
			// That firmware's simulator has no sensors: it reads 631 °C throughout,
			// which is rightly called a shorted sensor.
			continue
		}
		reports, _, _ := recording(t, file)
		n += len(reports)
		for cause, at := range replay(reports, EndRun) {
			t.Errorf("%s: %s at %s", name, cause, at)
		}
	}
	if n < 100 {
		t.Errorf("only %d reports in the recordings", n)
	}
}
