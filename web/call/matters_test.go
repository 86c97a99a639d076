package call

import (
	"slices"
	"strings"
	"testing"
	"time"

	"undercroft/queue"
	"undercroft/web"
	"undercroft/web/webtest"
)

var noon = time.Date(2026, 11, 25, 19, 30, 0, 0, time.UTC) // a Wednesday evening, home hours

// kindsOf lists kind and key, sorted.
func kindsOf(list []matter) []string {
	var out []string
	for _, m := range list {
		out = append(out, m.Kind+" "+m.key)
	}
	slices.Sort(out)
	return out
}

func TestMatters(t *testing.T) {
	find := func(v *web.View, name string) *web.Printer {
		for i := range v.Printers {
			if v.Printers[i].Name == name {
				return &v.Printers[i]
			}
		}
		t.Fatal(name)
		return nil
	}
	// The scene: a plate on Curlew, and Egret's link lost in mid-print.
	scene := []string{"alarm mishap/4", "plate plate/Curlew/29"}
	for _, c := range []struct {
		name   string
		edit   func(v *web.View)
		builds []web.Build
		want   []string
	}{
		{"as it is", func(*web.View) {}, nil, scene},
		{"a mishap with a calm cause", func(v *web.View) { v.Mishaps[0].Cause = "position" }, nil, []string{"mishap mishap/4", "plate plate/Curlew/29"}},
		{"decided", func(v *web.View) { v.Mishaps[0].Decided = "again" }, nil, scene[1:]},
		{"stopped by a person", func(v *web.View) { v.Mishaps[0].Result = "cancelled" }, nil, scene[1:]},
		{"its plate once it is back, the mishap decided", func(v *web.View) {
			v.Mishaps = nil
			find(v, "Egret").Phase = "ready"
		}, nil, []string{"plate plate/Curlew/29", "plate plate/Egret/30"}},
		{"nobody is home", func(v *web.View) { v.Hours.HomeNow = false }, nil, []string{"alarm mishap/4", "away plate/Curlew/29"}},
		{"nobody is home, and nothing waits", func(v *web.View) { v.Hours.HomeNow = false; v.Tally.JobsWaiting = 0 }, nil, scene},
		{"out of service", func(v *web.View) { find(v, "Curlew").OutOf = "belt" }, nil, scene[:1]},
		{"a nozzle is wanted", func(v *web.View) {
			p := find(v, "Dunlin")
			p.WaitsFor, p.Why = "person", "no queued job suits it now; Tail fan needs a 0.8 mm nozzle"
		}, nil, append(slices.Clone(scene[:1]), "hands hands/Dunlin", scene[1])},
		{"faulted", func(v *web.View) { find(v, "Dunlin").Phase = "faulted" }, nil, append([]string{"alarm faulted/Dunlin/179563"}, scene...)},
		{"gone while hot", func(v *web.View) { find(v, "Egret").Heaters = []web.Heater{{Name: "T0", TargetC: 210}} }, nil, append([]string{"alarm hot/Egret/"}, scene...)},
		{"gone while hot, a moment ago", func(v *web.View) {
			p := find(v, "Egret")
			p.Heaters, p.PhaseSince = []web.Heater{{Name: "T0", TargetC: 210}}, v.At.Add(-10*time.Second)
		}, nil, scene},
		{"a heater rises unasked", func(v *web.View) {
			find(v, "Bittern").Warnings = []web.Warning{{Cause: "heats-unasked", Text: "T0 rises"}, {Cause: "slow", Text: "it is slow"}}
		}, nil, []string{"alarm mishap/4", "alarm warning/Bittern/heats-unasked", "plate plate/Curlew/29"}},
		{"the reel will not last", func(v *web.View) {
			find(v, "Bittern").Spool.Short = &web.Short{Layer: 700, Layers: 1150, TopMM: 224, At: v.At.Add(time.Hour)}
		}, nil, append(slices.Clone(scene), "reel reel/31/3")},
		{"the reel is out", func(v *web.View) {
			find(v, "Bittern").Held = &web.Held{By: "machine", Step: "waits", Filament: true, Since: v.At}
		}, nil, append(slices.Clone(scene), "reel held/31/")},
		{"a call in the file", func(v *web.View) {
			find(v, "Bittern").Held = &web.Held{By: "file", Step: "waits", Since: v.At, Asks: "Put the magnets in"}
		}, nil, append([]string{scene[0], "held held/31/"}, scene[1])},
		{"paused by a person", func(v *web.View) { find(v, "Bittern").Held = &web.Held{By: "person", Step: "waits"} }, nil, scene},
		{"parks yet", func(v *web.View) { find(v, "Bittern").Held = &web.Held{By: "file", Step: "parks"} }, nil, scene},
		{"a first layer", func(v *web.View) { find(v, "Merel").Run.Eyes = "asked" }, nil, append([]string{scene[0], "eyes eyes/32"}, scene[1])},
		{"a build is done", func(*web.View) {}, []web.Build{
			{Name: "Heron", Progress: queue.Progress{Count: queue.Count{Wanted: 84, Good: 84}}},
			{Name: "Reeds", Progress: queue.Progress{Count: queue.Count{Wanted: 3, Good: 2}}},
			{Name: "Nothing yet"},
		}, append([]string{scene[0], "done done/Heron/84"}, scene[1])},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := webtest.Scene(noon)
			c.edit(&v)
			list := matters(&v, c.builds)
			got := kindsOf(list)
			ok := len(got) == len(c.want)
			for i := range c.want {
				ok = ok && strings.HasPrefix(got[min(i, len(got)-1)], c.want[i])
			}
			if !ok {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
			for _, m := range list {
				if m.Title == "" || m.Text == "" || m.Do == "" || !m.At.Equal(v.At) {
					t.Errorf("it does not say what, why or what to do: %+v", m.Call)
				}
				if m.Kind != Done && (m.Printer == "" || !strings.Contains(m.Title, m.Printer)) {
					t.Errorf("it does not say where: %+v", m.Call)
				}
			}
		})
	}
}

func TestAwaySaysWhen(t *testing.T) {
	v := webtest.Scene(noon.Add(6 * time.Hour)) // Thursday 01:30
	v.Hours.HomeNow = false
	v.Tally.JobsWaiting = 2
	for _, m := range matters(&v, nil) {
		if m.Kind == Away {
			if want := "Wing rib 7 to 12 lies on it, 6 pieces. Home hours begin at Thu 17:00. 2 jobs wait."; m.Text != want {
				t.Errorf("got %q, want %q", m.Text, want)
			}
			return
		}
	}
	t.Fatal("nobody was called")
}

// Names come from files; none of them steers a header, a terminal or a line.
func TestCallsAreClean(t *testing.T) {
	v := webtest.Scene(noon)
	v.Mishaps[0].Part = "rib\r\nBcc: all@example.org\x1b[2J\u202e" + strings.Repeat("x", 5000)
	for _, m := range matters(&v, nil) {
		if strings.ContainsAny(m.Title+m.Text+m.Do, "\r\n\x1b\u202e") || len([]rune(m.Title)) > 160 {
			t.Errorf("%q", m.Title)
		}
	}
}

func FuzzClean(f *testing.F) {
	f.Add("a\r\nb", 3)
	f.Fuzz(func(t *testing.T, s string, most int) {
		if most < 1 || most > 1000 {
			return
		}
		c := clean(s, most)
		if strings.ContainsAny(c, "\r\n\x00\x1b") || len([]rune(c)) > most {
			t.Errorf("%q", c)
		}
	})
}
