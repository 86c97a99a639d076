package call

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"undercroft/queue"
	"undercroft/web"
)

func schedule(t testing.TB, s string) queue.Schedule {
	t.Helper()
	out, err := queue.ParseSchedule(s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func one(kind, key string) matter { return matter{key, web.Call{Kind: kind, Title: key}} }

func keys(list []*entry) []string {
	var out []string
	for _, e := range list {
		out = append(out, e.Key)
	}
	return out
}

// What stands is told once on each channel, over restarts too, and again only
// when it had been gone for good.
func TestEachIsToldOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "calls.json")
	b, err := readBook(path)
	if err != nil {
		t.Fatal(err)
	}
	var all Rules
	now := noon
	plate := []matter{one(Plate, "plate/Curlew/29")}
	b.note(plate, now)
	list, waiting, _ := b.due("post", &all, noon, now)
	if len(list) != 1 || waiting != 1 {
		t.Fatalf("due: %v, waiting %d", keys(list), waiting)
	}
	first := list[0].Call.ID
	list[0].told("post", true, now, 0)
	if err := b.write(path); err != nil {
		t.Fatal(err)
	}
	if b, err = readBook(path); err != nil {
		t.Fatal(err)
	}
	b.note(plate, now.Add(time.Minute))
	if list, _, _ := b.due("post", &all, noon, now); len(list) != 0 {
		t.Errorf("told again after a restart: %v", keys(list))
	}
	if list, _, _ := b.due("hook", &all, noon, now); len(list) != 1 || list[0].Call.ID != first {
		t.Errorf("the other channel was told: %v", keys(list))
	}
	// Gone for a moment, and back: the same.
	b.note(nil, now.Add(2*time.Minute))
	b.note(plate, now.Add(5*time.Minute))
	if list, _, _ := b.due("post", &all, noon, now); len(list) != 0 {
		t.Error("told again after a moment")
	}
	b.note(nil, now.Add(6*time.Minute))
	b.note(nil, now.Add(6*time.Minute+forgetAfter))
	b.note(plate, now.Add(40*time.Minute))
	if list, _, _ := b.due("post", &all, noon, now); len(list) != 1 || list[0].Call.ID == first {
		t.Errorf("not told anew: %v", keys(list))
	}
}

func TestQuietHours(t *testing.T) {
	night := time.Date(2026, 11, 26, 2, 0, 0, 0, time.UTC)
	morning := night.Add(6 * time.Hour)
	for _, c := range []struct {
		name  string
		rules Rules
		at    time.Time
		want  []string
	}{
		{"no quiet", Rules{}, night, []string{"a", "p", "d"}},
		{"quiet at night", Rules{Quiet: schedule(t, "daily 22:30-07:00")}, night, []string{"a"}},
		{"alarms wait too", Rules{Quiet: schedule(t, "daily 22:30-07:00"), HoldsAlarms: true}, night, nil},
		{"in the morning", Rules{Quiet: schedule(t, "daily 22:30-07:00"), HoldsAlarms: true}, morning, []string{"a", "p", "d"}},
		{"some kinds", Rules{For: []string{Plate}}, night, []string{"p"}},
	} {
		b := &book{}
		b.note([]matter{one(Alarm, "a"), one(Plate, "p"), one(Done, "d")}, noon)
		if list, _, _ := b.due("post", &c.rules, c.at, noon); !slices.Equal(keys(list), c.want) {
			t.Errorf("%s: %v, want %v", c.name, keys(list), c.want)
		}
	}
}

// What is over before it could be told is told no more, but for alarms.
func TestOverBeforeTold(t *testing.T) {
	b := &book{}
	b.note([]matter{one(Alarm, "a"), one(Plate, "p")}, noon)
	list, _, _ := b.due("post", &Rules{}, noon, noon)
	for _, e := range list {
		e.told("post", false, noon, 0)
	}
	later := noon.Add(time.Hour)
	b.note(nil, noon.Add(time.Minute))
	b.note(nil, later)
	if list, _, _ := b.due("post", &Rules{}, later, later); !slices.Equal(keys(list), []string{"a"}) {
		t.Errorf("due: %v", keys(list))
	}
	b.note(nil, later.Add(alarmsKept))
	if len(b.Entries) != 0 {
		t.Errorf("%d are kept for ever", len(b.Entries))
	}
}

func TestBackoff(t *testing.T) {
	e := &entry{Told: map[string]*state{}}
	var waits []time.Duration
	for range 10 {
		e.told("post", false, noon, 0)
		waits = append(waits, e.Told["post"].Next.Sub(noon)/time.Second)
	}
	if want := []time.Duration{10, 20, 40, 80, 160, 320, 640, 900, 900, 900}; !slices.Equal(waits, want) {
		t.Errorf("%v, want %v", waits, want)
	}
	e.told("post", false, noon, 100*time.Hour)
	if got := e.Told["post"].Next.Sub(noon); got != maxBackoff {
		t.Errorf("a receiver made us wait %v", got)
	}
}

// A build that was done before the first start is no news; one that is done
// later is, and stays told.
func TestDoneOfOld(t *testing.T) {
	b := &book{fresh: true}
	b.note([]matter{one(Done, "done/old/3"), one(Plate, "p")}, noon)
	if list, _, _ := b.due("post", &Rules{}, noon, noon); !slices.Equal(keys(list), []string{"p"}) {
		t.Errorf("due: %v", keys(list))
	}
	b.note([]matter{one(Done, "done/old/3"), one(Done, "done/new/3")}, noon)
	if list, _, _ := b.due("post", &Rules{}, noon, noon); !slices.Equal(keys(list), []string{"done/new/3"}) {
		t.Errorf("due: %v", keys(list))
	}
}

func TestDamagedBook(t *testing.T) {
	path := filepath.Join(t.TempDir(), "calls.json")
	if err := os.WriteFile(path, []byte(`{"entries":[nu`), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := readBook(path); err != nil || len(b.Entries) != 0 {
		t.Fatalf("%v, %v", b, err)
	}
	if _, err := os.Stat(path + ".damaged"); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(path, []byte(`{"entries":[null,{"key":"x"}]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := readBook(path); err != nil || len(b.Entries) != 1 || b.Entries[0].Told == nil {
		t.Fatalf("%v, %v", b, err)
	}
}

// Whatever comes and goes: no id is delivered twice on a channel, the book stays
// bounded, and what has stood since the last look is told.
func TestBookProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := &book{}
		now := noon
		taken := map[string]bool{}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			var list []matter
			for _, k := range rapid.SliceOfNDistinct(rapid.IntRange(0, 700), 0, 12, rapid.ID[int]).Draw(t, "stands") {
				list = append(list, one(Kinds[k%len(Kinds)], string(rune('a'+k))))
			}
			b.note(list, now)
			due, _, _ := b.due("post", &Rules{}, noon, now)
			for _, e := range due {
				ok := rapid.Bool().Draw(t, "ok")
				if ok && taken[e.Call.ID] {
					t.Fatalf("%s was delivered twice", e.Call.ID)
				}
				taken[e.Call.ID] = taken[e.Call.ID] || ok
				e.told("post", ok, now, 0)
			}
			if len(b.Entries) > maxEntries {
				t.Fatalf("%d entries", len(b.Entries))
			}
			now = now.Add(time.Duration(rapid.IntRange(1, 3600).Draw(t, "s")) * time.Second)
		}
	})
}
