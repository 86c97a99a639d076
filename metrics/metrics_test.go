package metrics

import (
	"context"
	"errors"
	"flag"
	"io"
	"log/slog"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
)

var update = flag.Bool("update", false, "write the golden file anew")

type fixed struct {
	s   Sample
	err error
}

func (f fixed) Sample(context.Context) (Sample, error) { return f.s, f.err }

var options = Options{
	Version:     "test",
	Phases:      []string{"absent", "ready", "printing"},
	PlateStates: []string{"clear", "occupied", "off", "unknown"},
	JobStates:   []string{"queued", "running", "needs-decision"},
	Results:     []string{"finished", "failed", "cancelled", "interrupted"},
}

func cellar() Sample {
	at := time.Date(2026, 11, 25, 21, 30, 0, 0, time.UTC)
	return Sample{
		Watchers: 2,
		Printers: []Printer{
			{Name: "Bittern", Kind: "fen-large", Firmware: "RepRap-dialect 2.1", Phase: "printing", Since: at, PlateState: "occupied", NozzleMM: 0.8, SpoolG: 412, SpoolEnds: true, Warnings: 1,
				Heaters: []Heater{{"T0", 239.6, 240, 0.44}, {"B", 75.2, 75, -1}}, HeatAt: at,
				Run:  &Run{LayersDone: 640, Layers: 1150, CompletedMM: 204.8, HeightMM: 368, LeftS: 23040, EndsAt: at.Add(23040 * time.Second)},
				Link: Link{Up: true, Sent: 1000, Accepted: 998, Executed: 980, Resends: 2, Boots: 1, Starved: 1500 * time.Millisecond, LineShare: 0.21, RTTp50: 4 * time.Millisecond, RTTp99: 30 * time.Millisecond}},
			{Name: "Egret", Kind: "fen-small", Phase: "absent", Since: at, PlateState: "occupied", WaitsPerson: true, OutOf: true},
		},
		Stock:  Stock{Reels: 9, Loaded: 2, UnknownG: 1, Remaining: 5210},
		Builds: []Build{{Name: "Heron", Good: 52, Wanted: 84, LeftHours: 147.2, Due: 1796169600}},
		Store: Store{Writes: 3, WritesTook: 1280 * time.Millisecond, WritesWithin: map[time.Duration]uint64{10 * time.Millisecond: 1, time.Second: 2},
			LayersWaiting: 1, Bytes: 4 << 20, DiskFree: 8e9, DiskSize: 16e9},
		Circuits: []Circuit{{"north wall", 1440, 610, 60}},
		Queue: Queue{Jobs: map[string]int{"queued": 3, "running": 1, "needs-decision": 1}, RunsEnded: map[string]int64{"finished": 34, "failed": 2},
			MishapsOpen: 1, PiecesGood: 52, PiecesWanted: 84, PrintedS: 764640, LeftS: 529920, UsedG: 6120},
	}
}

func registry(t *testing.T, src Source) *prometheus.Registry {
	t.Helper()
	reg := prometheus.NewPedanticRegistry()
	if err := Register(reg, src, options); err != nil {
		t.Fatal(err)
	}
	return reg
}

// TestLint holds the Prometheus naming conventions, by their own linter.
func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(registry(t, fixed{s: cellar()}))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// TestGolden shows every metric of the house in the text format.
func TestGolden(t *testing.T) {
	var ours strings.Builder
	for line := range strings.Lines(scrape(t, registry(t, fixed{s: cellar()}))) {
		if strings.Contains(line, "undercroft_") && !strings.Contains(line, "build_info") {
			ours.WriteString(line)
		}
	}
	const path = "testdata/cellar.prom"
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(ours.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if ours.String() != string(want) {
		t.Errorf("differs from %s:\n%s", path, ours.String())
	}
}

func scrape(t *testing.T, reg *prometheus.Registry) string {
	t.Helper()
	w := httptest.NewRecorder()
	Handler(reg, slog.New(slog.DiscardHandler)).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	body, err := io.ReadAll(w.Body)
	if err != nil || w.Code != 200 {
		t.Fatalf("status %d: %v", w.Code, err)
	}
	return string(body)
}

// A house that cannot be read is told as such; the process's own metrics stay.
func TestUnreadable(t *testing.T) {
	text := scrape(t, registry(t, fixed{err: errors.New("the store is locked")}))
	if !strings.Contains(text, "undercroft_sample_success 0") || !strings.Contains(text, "go_goroutines") || strings.Contains(text, "undercroft_jobs") {
		t.Error(text)
	}
}

// What a noisy line makes of heaters and firmware names must not break a scrape
// or grow new series without end.
func TestGarbledNames(t *testing.T) {
	s := Sample{Printers: []Printer{{Name: "Merel", Firmware: "Rep\xffRap", Heaters: []Heater{
		{Name: "T0"}, {Name: "T0"}, {Name: "\xfe"}, {Name: ""}, {Name: "t0"}, {Name: "T0 B"}, {Name: "TEMP"}, {Name: "C"},
	}}}}
	for i := range 30 {
		s.Printers[0].Heaters = append(s.Printers[0].Heaters, Heater{Name: "T" + string(rune('0'+i%10)) + string(rune('0'+i/10))})
	}
	reg := registry(t, fixed{s: s})
	if _, err := reg.Gather(); err != nil {
		t.Fatal(err)
	}
	n, err := testutil.GatherAndCount(reg, "undercroft_heater_temperature_celsius")
	if err != nil || n != maxHeaters {
		t.Errorf("%d heaters, %v; want %d", n, err, maxHeaters)
	}
}
