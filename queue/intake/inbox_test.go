package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"undercroft/queue"
	"undercroft/queue/store"
)

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func inbox(t *testing.T) *Inbox {
	l := lists(t)
	return &Inbox{Dir: t.TempDir(), Intake: l.Intake, Lists: l, Log: slog.New(slog.DiscardHandler)}
}

func put(t *testing.T, b *Inbox, name, text string) {
	t.Helper()
	path := filepath.Join(b.Dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
}

// settle scans twice, with as much time between as a file takes to be still.
func settle(b *Inbox, at time.Time) {
	b.Scan(ctx, at)
	b.Scan(ctx, at.Add(defaultSettled))
}

// left lists what lies in the inbox.
func left(t *testing.T, b *Inbox) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(b.Dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(b.Dir, path)
			out = append(out, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// queued lists the jobs as 'build/assembly/part (way, section) ×count'.
func queued(t *testing.T, s *store.Store) []string {
	t.Helper()
	jobs, err := s.Jobs(ctx)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	var order []string
	for _, j := range jobs {
		y := j.Yields[0]
		k := fmt.Sprintf("%s/%s/%s", j.Build, y.Assembly, y.Part)
		if y.Way != "" {
			k += fmt.Sprintf(" (%s, %s)", y.Way, y.SectionN)
		}
		if len(j.Yields) > 1 {
			k += fmt.Sprintf(" and %d more", len(j.Yields)-1)
		}
		if counts[k]++; counts[k] == 1 {
			order = append(order, k)
		}
	}
	for i, k := range order {
		order[i] = fmt.Sprintf("%s ×%d", k, counts[k])
	}
	return order
}

func wantList(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n%q, want\n%q", what, got, want)
	}
}

func TestFoldersNamesAndListsSayWhatAFileIs(t *testing.T) {
	b := inbox(t)
	text := good().gcode()
	put(t, b, "beak.gcode", text)
	put(t, b, "Heron/neck x2.gcode", text+"; neck\n")
	put(t, b, "Heron/Left wing/wing-rib x4.gcode", text+"; rib\n")
	put(t, b, "Heron/Left wing/3x feather.gcode", text+"; feather\n")
	put(t, b, "Heron/Legs/parts.csv", "file,part,wanted,yields,way,section,colour\nplate.gcode,toe,8,\"toe=4, claw=2\",,,amber\nshin-a.gcode,shin,2,,two halves,upper,\nshin-b.gcode,shin,2,,two halves,lower,\n")
	put(t, b, "Heron/Legs/plate.gcode", text+"; plate\n")
	put(t, b, "Heron/Legs/shin-a.gcode", text+"; shin a\n")
	put(t, b, "Heron/Legs/shin-b.gcode", text+"; shin b\n")
	settle(b, noon)
	wantList(t, "jobs", queued(t, b.Intake.Store),
		"Heron/Left wing/feather ×3", "Heron/Left wing/wing-rib ×4", "Heron/Legs/toe and 1 more ×2", "Heron/Legs/shin (two halves, upper) ×2",
		"Heron/Legs/shin (two halves, lower) ×2", "Heron//neck ×2", "//beak ×1")
	wantList(t, "the inbox", left(t, b), "Heron/Legs/parts.csv")
	l, err := b.Intake.Store.FindBuild(ctx, "Heron")
	if err != nil {
		t.Fatal(err)
	}
	ledger, err := b.Intake.Store.Ledger(ctx, l.ID)
	if err != nil {
		t.Fatal(err)
	}
	if p := ledger.Progress(noon); p.Wanted != 2+4+3+8+4+2 || p.Waiting != p.Wanted || p.Missing != 0 {
		t.Errorf("%+v", p.Progress)
	}
	// Nothing happens twice while the list lies there, nor after it was changed by
	// a person through another door.
	settle(b, noon.Add(time.Minute))
	if n := len(queued(t, b.Intake.Store)); n != 7 {
		t.Errorf("%d kinds of jobs of 7", n)
	}
}

func TestAFileIsTakenWhenItHasStoppedGrowing(t *testing.T) {
	b := inbox(t)
	text := good().gcode()
	at := noon
	for n := 1; n <= 4; n++ { // it grows for longer than a file takes to be still
		put(t, b, "beak.gcode", text[:len(text)*n/4])
		at = at.Add(defaultSettled - time.Second)
		if !b.Scan(ctx, at) {
			t.Fatal("a growing file is not seen to grow")
		}
	}
	put(t, b, "crest.gcode.part", text)
	if b.Scan(ctx, at.Add(-time.Hour)); len(queued(t, b.Intake.Store)) > 0 { // the clock was set back
		t.Fatal("taken while it grew")
	}
	settle(b, at.Add(-time.Hour))
	wantList(t, "jobs", queued(t, b.Intake.Store), "//beak ×1")
	wantList(t, "the inbox", left(t, b), "crest.gcode.part")
}

func TestWhatCannotBeTakenIsRefusedWithItsReason(t *testing.T) {
	b := inbox(t)
	text := good().gcode()
	put(t, b, "Heron/photo.jpg", "\xff\xd8\xff\xe0 no gcode")
	put(t, b, "Heron/Left wing/ribs/deep/rib.gcode", text)
	put(t, b, "Owl/parts.csv", "file,part,wanted\neye.gcode,eye,-2\n")
	put(t, b, "Owl/eye.gcode", text)
	put(t, b, "Owl/ear.gcode", text)
	if err := os.Symlink("/etc/hostname", filepath.Join(b.Dir, "link.gcode")); err != nil {
		t.Fatal(err)
	}
	settle(b, noon)
	put(t, b, "Heron/photo.jpg", "once more")
	settle(b, noon.Add(time.Minute))
	wantList(t, "the inbox", left(t, b),
		"refused/Heron/Left wing/ribs/deep/rib.gcode", "refused/Heron/Left wing/ribs/deep/rib.gcode.why.txt",
		"refused/Heron/photo (2).jpg", "refused/Heron/photo (2).jpg.why.txt", "refused/Heron/photo.jpg", "refused/Heron/photo.jpg.why.txt",
		"refused/Owl/eye.gcode", "refused/Owl/eye.gcode.why.txt", "refused/Owl/parts.csv", "refused/Owl/parts.csv.why.txt",
		"refused/link.gcode", "refused/link.gcode.why.txt")
	wantList(t, "jobs", queued(t, b.Intake.Store), "Owl//ear ×1")
	for name, want := range map[string]string{
		"Owl/parts.csv":                       "line 2: wanted: -2 is less than none",
		"Owl/eye.gcode":                       "the list parts.csv beside it is bad",
		"Heron/photo.jpg":                     "photo.jpg was refused; nothing was stored",
		"Heron/Left wing/ribs/deep/rib.gcode": "a folder in the inbox is a build",
		"link.gcode":                          "no file but a link",
	} {
		why, err := os.ReadFile(filepath.Join(b.Dir, refusedDir, name+whyEnd))
		if err != nil || !strings.Contains(string(why), want) || !strings.HasPrefix(string(why), filepath.FromSlash(name)+" was not taken.") {
			t.Errorf("%s: %s, %v", name, why, err)
		}
	}
}

// Whenever the daemon dies while it takes a file, and however often, the file's
// jobs are there once when it comes back.
func TestACrashInMidTakeLosesAndDoublesNothing(t *testing.T) {
	text := good().gcode()
	for _, point := range []string{"before it is added", "added, and not removed", "removed, and not forgotten", "said why, and not moved"} {
		t.Run(point, func(t *testing.T) {
			b := inbox(t)
			dir := t.TempDir()
			first, _, err := store.Open(ctx, dir, store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			b.Intake = &Intake{Store: first, Kinds: kinds}
			b.Lists = &Lists{Intake: b.Intake, Zone: time.UTC}
			put(t, b, "Heron/rib x3.gcode", text)
			if err := os.Chtimes(filepath.Join(b.Dir, "Heron", "rib x3.gcode"), noon, noon); err != nil {
				t.Fatal(err)
			}
			put(t, b, "bad.gcode", "no gcode \x00")
			crashes := 0
			b.at = func(p string) error {
				if p != point {
					return nil
				}
				crashes++
				return errCrash
			}
			settle(b, noon)
			if crashes == 0 {
				t.Fatal("the point is not on the way")
			}
			// Another daemon on the same folders.
			if err := first.Close(); err != nil {
				t.Fatal(err)
			}
			s, _, err := store.Open(context.Background(), dir, store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			in := &Intake{Store: s, Kinds: b.Intake.Kinds}
			b2 := &Inbox{Dir: b.Dir, Intake: in, Lists: &Lists{Intake: in, Zone: time.UTC}, Log: b.Log}
			settle(b2, noon.Add(time.Hour))
			wantList(t, "jobs", queued(t, s), "Heron//rib ×3")
			wantList(t, "the inbox", left(t, b2), "refused/bad.gcode", "refused/bad.gcode.why.txt")
			// The same file again, as old as it was, is another wish.
			put(t, b2, "Heron/rib x3.gcode", text)
			if err := os.Chtimes(filepath.Join(b2.Dir, "Heron", "rib x3.gcode"), noon, noon); err != nil {
				t.Fatal(err)
			}
			settle(b2, noon.Add(2*time.Hour))
			wantList(t, "jobs", queued(t, s), "Heron//rib ×6")
		})
	}
}

// A full disk is no fault of the file: it is tried again.
func TestTheHousesOwnTroubleRefusesNothing(t *testing.T) {
	b := inbox(t)
	put(t, b, "rib.gcode", good().gcode())
	trouble := true
	b.at = func(string) error {
		if trouble {
			return fmt.Errorf("no space: %w", queue.ErrUnavailable)
		}
		return nil
	}
	settle(b, noon)
	b.Scan(ctx, noon.Add(10*time.Second))
	wantList(t, "the inbox", left(t, b), "rib.gcode")
	trouble = false
	b.Scan(ctx, noon.Add(time.Hour))
	wantList(t, "jobs", queued(t, b.Intake.Store), "//rib ×1")
}

// The same content in another material is known, and weighs as that material does.
func TestKnownContentInAnotherMaterialWeighsOtherwise(t *testing.T) {
	in := intake(t)
	text := good().gcode()
	first, err := in.Add(ctx, Request{FileName: "rib.gcode", Material: "PLA"}, strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	second, err := in.Add(ctx, Request{FileName: "rib.gcode", Material: "PETG"}, strings.NewReader(text))
	if err != nil || !second.Known {
		t.Fatalf("%+v, %v", second, err)
	}
	// PLA 1.24, PETG 1.27 g/cm³ (common practice, no source).
	if got, want := second.File.MassG/first.File.MassG, 1.27/1.24; got < want-1e-9 || got > want+1e-9 {
		t.Errorf("the same filament weighs %g times as much in PETG, want %g", got, want)
	}
	j, err := in.Store.Job(ctx, first.Jobs[0].ID)
	if err != nil || j.File.MassG != first.File.MassG {
		t.Errorf("the first job's mass changed: %+v, %v", j.File, err)
	}
}

// The real thing, in real time: a file that is put there is taken.
func TestTheInboxRuns(t *testing.T) {
	b := inbox(t)
	b.Settled = 20 * time.Millisecond
	took := make(chan []queue.Job, 10)
	b.Added = func(j []queue.Job) { took <- j }
	runCtx, end := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- b.Run(runCtx) }()
	put(t, b, "Heron/rib.gcode", good().gcode())
	select {
	case jobs := <-took:
		if len(jobs) != 1 || jobs[0].Build != "Heron" {
			t.Errorf("%+v", jobs)
		}
	case <-time.After(time.Minute):
		t.Error("nothing was taken")
	}
	end()
	if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
