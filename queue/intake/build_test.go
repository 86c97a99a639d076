package intake

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
	"undercroft/queue/store"
)

// tally is the test's own count of a build: the ledger is held against it after
// every step. It knows nothing of pieces, numbers or states.
type tally struct {
	wanted           map[string]int
	assembly         map[string]string
	things           map[string]int     // good, by 'part|way|section'
	hours            map[string]float64 // of ended runs, by part
	grams            map[string]float64
	failed, reopened int
	ways, sections   map[string][]string
}

func (c *tally) good(part string) int {
	n := 0
	for _, way := range c.ways[part] {
		least := math.MaxInt
		for _, section := range c.sections[part+"|"+way] {
			least = min(least, c.things[part+"|"+way+"|"+section])
		}
		if least < math.MaxInt {
			n += least
		}
	}
	return n
}

// A build of 120 parts from a list that a person could have typed, with pairs,
// ways in halves, plates of many and parts made by hand, goes through a winter
// of runs that finish, fail, yield less, are repeated and are found bad later:
// the figures are right at every step, by assembly and in all.
func TestABuildOf120PartsIsCountedRight(t *testing.T) {
	src, err := os.ReadFile("testdata/build/heron.csv")
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(1) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) { buildOnce(t, src, rand.New(rand.NewPCG(seed, 120))) })
	}
}

func buildOnce(t *testing.T, src []byte, rng *rand.Rand) {
	l := lists(t)
	s := l.Intake.Store
	rep, err := l.In(ctx, bytes.NewReader(src), ListOptions{Build: "Heron"})
	if err != nil || len(rep.Bad) > 0 {
		t.Fatalf("%v, %+v", err, rep.Bad)
	}
	b, err := s.FindBuild(ctx, "Heron")
	if err != nil {
		t.Fatal(err)
	}
	led, err := s.Ledger(ctx, b.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(led.Parts) != 120 || len(rep.Jobs) != 6 {
		t.Fatalf("%d parts of 120, %d jobs of 6 by hand", len(led.Parts), len(rep.Jobs))
	}
	paired := 0
	c := &tally{wanted: map[string]int{}, assembly: map[string]string{}, things: map[string]int{}, hours: map[string]float64{}, grams: map[string]float64{}, ways: map[string][]string{}, sections: map[string][]string{}}
	for _, p := range led.Parts {
		c.wanted[p.Name], c.assembly[p.Name] = p.Wanted, p.Assembly
		if p.MirrorOf != 0 {
			paired++
		}
	}
	if paired != 78 {
		t.Errorf("%d parts are halves of mirrored pairs, want 78", paired)
	}
	before := led.Progress(noon)
	if before.Wanted != 216 || before.Good != 0 || before.Unknown != 0 || before.Waiting != 6 {
		t.Errorf("before the first run: %+v", before.Progress)
	}
	if _, err := s.Printers(ctx, []string{"Bittern"}); err != nil {
		t.Fatal(err)
	}
	know := func(part, way string, sections ...string) {
		c.ways[part] = append(c.ways[part], way)
		c.sections[part+"|"+way] = sections
	}
	file := func(name string, hours, grams float64) *queue.File {
		return &queue.File{SHA256: strings.Repeat(fmt.Sprintf("%02x", len(name)%200+17), 16) + fmt.Sprintf("%032x", rng.Uint64()), Name: name, EstimateS: hours * 3600, MassG: grams, FilamentMM: grams * 330, FilamentGPMM: 1.0 / 330}
	}
	add := func(job queue.Job, n int) {
		t.Helper()
		job.State, job.Build, job.Kind, job.Material, job.NozzleMM, job.FileName = queue.Queued, "Heron", "fen", "PLA", 0.4, job.File.Name
		jobs := make([]queue.Job, n)
		for i := range jobs {
			jobs[i] = job
		}
		if _, err := s.Add(ctx, job.File, nil, jobs); err != nil {
			t.Fatal(err)
		}
	}
	// Files for everything: plates of two parts, halves, the rest one by one.
	for _, p := range led.Parts {
		switch {
		case strings.HasPrefix(p.Name, "Wing tip"), p.Name == "Keel":
			know(p.Name, "two halves", "upper", "lower")
			know(p.Name, "whole", "")
			for _, half := range []string{"upper", "lower"} {
				add(queue.Job{File: file(p.Name+half, 4, 75), Part: p.Name, Assembly: p.Assembly, Way: "two halves", Yields: []queue.Yield{{Part: p.Name, SectionN: half, Count: 1}}}, 1)
			}
			if _, err := s.AddWay(ctx, file(p.Name+"whole", 7, 140), nil, queue.Job{File: file(p.Name+"whole", 7, 140), FileName: "whole", Build: "Heron", Kind: "fen", Part: p.Name, Assembly: p.Assembly, Way: "whole", Pieces: 1}); err != nil {
				t.Fatal(err)
			}
		case p.Name == "Toe left" || p.Name == "Toe right":
			know(p.Name, "", "")
		case p.Name == "Lamp holder":
			know(p.Name, "", "")
			add(queue.Job{File: file(p.Name, 6, 100), Part: p.Name, Assembly: p.Assembly, Pieces: 3}, 2)
		case p.Name == "Cable clip":
			know(p.Name, "", "")
			add(queue.Job{File: file(p.Name, 2, 40), Part: p.Name, Assembly: p.Assembly, Pieces: 20}, 2)
		case len(p.OnlyOn) > 0:
			know(p.Name, "", "")
		default:
			know(p.Name, "", "")
			add(queue.Job{File: file(p.Name, 1+rng.Float64()*9, 10+rng.Float64()*300), Part: p.Name, Assembly: p.Assembly, Pieces: 1}, p.Wanted)
		}
	}
	add(queue.Job{File: file("toes", 5, 90), Part: "plate of toes", Assembly: "Legs", Yields: []queue.Yield{{Part: "Toe left", Count: 3}, {Part: "Toe right", Count: 3}}}, 1)

	check := func(step string) queue.BuildProgress {
		t.Helper()
		led, err := s.Ledger(ctx, b.ID)
		if err != nil {
			t.Fatal(err)
		}
		p := led.Progress(noon)
		for _, a := range p.Assemblies {
			var wanted, good, spare int
			var hours, grams float64
			for part, where := range c.assembly {
				if where == a.Assembly.Name {
					g := c.good(part)
					wanted, good, spare = wanted+c.wanted[part], good+min(g, c.wanted[part]), spare+max(g-c.wanted[part], 0)
					hours, grams = hours+c.hours[part], grams+c.grams[part]
				}
			}
			if a.Wanted != wanted || a.Good != good || a.Spare != spare || math.Abs(a.HoursDone-hours) > 1e-6 || math.Abs(a.GramsUsed-grams) > 1e-6 {
				t.Fatalf("%s: %s has %+v; counted %d wanted, %d good, %d spare, %.4f h, %.4f g", step, a.Assembly.Name, a.Progress, wanted, good, spare, hours, grams)
			}
			if a.Good+a.OnPlate+a.Running+a.Waiting+a.Missing != a.Wanted {
				t.Fatalf("%s: %s does not add up: %+v", step, a.Assembly.Name, a.Count)
			}
		}
		if p.Failed != c.failed || p.Reopen != c.reopened {
			t.Fatalf("%s: %d failed, %d reopened, want %d and %d", step, p.Failed, p.Reopen, c.failed, c.reopened)
		}
		all, err := s.Tally(ctx)
		if err != nil || all.PiecesDone != p.Good || all.PiecesWanted != p.Wanted || math.Abs(all.HoursDone-p.HoursDone) > 1e-6 || math.Abs(all.GramsUsed-p.GramsUsed) > 1e-6 {
			t.Fatalf("%s: the sums say %+v, %v, the build %+v", step, all, err, p.Progress)
		}
		return p
	}
	check("with all files")
	for step := 0; ; step++ {
		jobs, err := s.LiveJobs(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if len(jobs) == 0 {
			p := check("at the end")
			if p.Good+p.Missing != p.Wanted || p.HoursLeft < 0 || p.Waiting+p.Running+p.OnPlate != 0 {
				t.Errorf("at the end: %+v", p.Progress)
			}
			return
		}
		if step > 1000 {
			t.Fatal("the build does not end")
		}
		winterDay(t, s, rng, c, &jobs[rng.IntN(len(jobs))])
		if step%8 == 0 || len(jobs) < 6 {
			check(fmt.Sprint("step ", step))
		}
	}
}

// winterDay is one run with what came of it.
func winterDay(t *testing.T, s *store.Store, rng *rand.Rand, c *tally, j *queue.Job) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	if j.State == queue.NeedsDecision {
		_, err := s.Decide(ctx, j.ID, rng.IntN(5) > 0)
		must(err)
		return
	}
	st, err := s.StartByHand(ctx, j.ID, "Bittern")
	must(err)
	took := time.Duration(j.File.EstimateS*(0.9+0.3*rng.Float64())) * time.Second
	o := fleet.Outcome{RunID: st.Run.ID, Result: fleet.Finished, EndedAt: st.Run.StartedAt.Add(took), FilamentMM: j.File.FilamentMM}
	e := store.End{Outcome: o, To: queue.AwaitsYield}
	spent := j.File.MassG
	fails := rng.IntN(9) == 0
	if fails {
		e.Outcome.Result, e.To, e.Outcome.FilamentMM = fleet.Failed, queue.NeedsDecision, j.File.FilamentMM/2
		if spent /= 2; j.File.ByHand {
			spent = 0
		}
	}
	st, err = s.EndRun(ctx, e)
	must(err)
	for _, y := range j.Yields {
		share := float64(y.Count) / float64(j.Pieces)
		c.hours[y.Part] += share * took.Hours()
		c.grams[y.Part] += share * spent
	}
	list, err := s.Pieces(ctx, st.Run.ID)
	must(err)
	if fails {
		c.failed += len(list)
		_, err := s.Cleared(ctx, "Bittern", true, "", store.Yield{})
		must(err)
		return
	}
	var bad []int
	for _, p := range list {
		if rng.IntN(15) == 0 {
			bad = append(bad, p.Place)
		}
	}
	c.failed += len(bad)
	for _, p := range list {
		isBad := false
		for _, place := range bad {
			isBad = isBad || place == p.Place
		}
		if !isBad {
			way := ""
			for _, y := range j.Yields {
				if y.WayID == p.WayID {
					way = y.Way
				}
			}
			c.things[p.Label.Part+"|"+way+"|"+p.Label.Section]++
		}
	}
	_, err = s.Cleared(ctx, "Bittern", true, "", store.Yield{Bad: bad})
	must(err)
	// A dry fit finds one of the good ones bad, now and then; it is made again.
	if len(bad) < len(list) && rng.IntN(12) == 0 {
		list, err = s.Pieces(ctx, st.Run.ID)
		must(err)
		for _, p := range list {
			if p.State != queue.PieceGood {
				continue
			}
			out, err := s.Reopen(ctx, p.PartID, p.Number, p.Label.Section, "it does not meet its neighbour")
			must(err)
			for range out {
				c.reopened++
			}
			c.things[p.Label.Part+"|"+j.Yields[0].Way+"|"+p.Label.Section] -= len(out)
			break
		}
		_, err := s.Again(ctx, j.ID)
		must(err)
	}
}
