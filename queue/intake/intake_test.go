package intake

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"undercroft/gcode/motion"
	"undercroft/queue"
	"undercroft/queue/store"
)

var ctx = context.Background()

// box is a hollow box as a slicer would write it: walls of the given nozzle,
// from x, y on, in 0.2 mm layers.
type box struct {
	x, y, sizeMM float64
	layers       int
	widthMM      float64
	nozzleC      float64
	comments     string
}

func (b box) gcode() string {
	var s strings.Builder
	s.WriteString(b.comments)
	fmt.Fprintf(&s, "M140 S60\nM104 S%g\nG28\nM190 S60\nM109 S%g\nG90\nM83\n", b.nozzleC, b.nozzleC)
	// Bead area of a rectangle with half-round sides, in a 1.75 mm filament (geometry).
	const h = 0.2
	perMM := (b.widthMM*h - h*h*(1-math.Pi/4)) / (math.Pi * 1.75 * 1.75 / 4)
	for l := range b.layers {
		fmt.Fprintf(&s, "G1 Z%.2f F600\nG1 X%.3f Y%.3f F9000\n", h*float64(l+1), b.x, b.y)
		for i := range 3 {
			in := float64(i) * b.widthMM
			side := b.sizeMM - 2*in
			x, y := b.x+in, b.y+in
			fmt.Fprintf(&s, "G1 X%.3f Y%.3f F9000\n", x, y)
			for _, c := range [4][2]float64{{x + side, y}, {x + side, y + side}, {x, y + side}, {x, y}} {
				fmt.Fprintf(&s, "G1 X%.3f Y%.3f E%.5f F2400\n", c[0], c[1], side*perMM)
			}
		}
	}
	s.WriteString("M104 S0\nM140 S0\nM84\n")
	return s.String()
}

func good() box {
	return box{x: 50, y: 50, sizeMM: 30, layers: 10, widthMM: 0.45, nozzleC: 210, comments: "; nozzle_diameter = 0.4\n; filament_type = PLA\n"}
}

func kinds() []Kind {
	return []Kind{{Name: "fen", VolumeMM: [][3]float64{{200, 200, 180}, {300, 300, 300}}, MaxNozzleC: 260, MaxBedC: 100, NozzlesMM: []float64{0.4}, Limits: motion.Default()}}
}

func intake(t *testing.T) *Intake {
	t.Helper()
	s, _, err := store.Open(ctx, t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return &Intake{Store: s, Kinds: kinds}
}

// empty checks that nothing is left of a file that was not taken.
func empty(t *testing.T, in *Intake) {
	t.Helper()
	err := filepath.WalkDir(filepath.Join(in.Store.Dir(), "files"), func(path string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			t.Errorf("%s was left behind", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if jobs, err := in.Store.Jobs(ctx); err != nil || len(jobs) != 0 {
		t.Errorf("%d jobs were stored, %v", len(jobs), err)
	}
}

func TestAFileIsKeptByItsContentAndBecomesJobs(t *testing.T) {
	in := intake(t)
	text := good().gcode()
	sum := sha256.Sum256([]byte(text))
	sha := hex.EncodeToString(sum[:])
	a, err := in.Add(ctx, Request{FileName: "wing-rib.gcode", Assembly: "left wing", Count: 3, Pieces: 2, ClearsSelf: true}, strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if a.Known || len(a.Jobs) != 3 || a.File.SHA256 != sha {
		t.Fatalf("%+v", a)
	}
	j := a.Jobs[1]
	if j.Part != "wing-rib" || j.Assembly != "left wing" || j.Kind != "fen" || j.NozzleMM != 0.4 || j.Material != "PLA" || j.Pieces != 2 || !j.ClearsSelf || j.State != queue.Queued {
		t.Errorf("%+v", j)
	}
	f := a.File
	// 10 layers × 3 walls, each of 4 sides of 30, 29.1 and 28.2 mm (arithmetic);
	// PLA 1.24 g/cm³ (common practice, no source).
	length := 10 * 4 * (30 + 29.1 + 28.2)
	grams := length * (0.45*0.2 - 0.2*0.2*(1-math.Pi/4)) / 1000 * 1.24
	if math.Abs(f.MassG-grams) > 0.01 || math.Abs(f.HeightMM-2) > 1e-6 || f.LayerCount != 10 || math.Abs(f.FilamentGPMM*f.FilamentMM-f.MassG) > 1e-9 {
		t.Errorf("%.3f g, want %.3f; %+v", f.MassG, grams, f)
	}
	if len(f.Outline) != 10 || f.Outline[0] != [2]float64{0, 1} {
		t.Errorf("outline %v", f.Outline)
	}
	have, err := os.ReadFile(filepath.Join(in.Store.Dir(), "files", sha[:2], sha+".gcode"))
	if err != nil || string(have) != text {
		t.Errorf("kept %d bytes of %d, %v", len(have), len(text), err)
	}
	layers, err := in.Store.Layers(ctx, sha)
	if err != nil || len(layers) != 10 {
		t.Errorf("%d layers, %v", len(layers), err)
	}
	again, err := in.Add(ctx, Request{FileName: "wing-rib-copy.gcode", OnHold: true}, strings.NewReader(text))
	if err != nil || !again.Known || again.Jobs[0].State != queue.OnHold || again.Jobs[0].Part != "wing-rib-copy" {
		t.Errorf("%+v, %v", again, err)
	}
	if left, _ := filepath.Glob(filepath.Join(in.Store.Dir(), "files", "incoming-*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestRefusedFilesLeaveNothingBehind(t *testing.T) {
	with := func(change func(*box)) string { b := good(); change(&b); return b.gcode() }
	for _, c := range []struct {
		name, text string
		req        Request
		want       []string // each in the error's text
	}{
		{"empty", "", Request{}, []string{"the file holds no command"}},
		{"not G-code", "Dear neighbours,\nthe parade begins at six.\nBring lanterns.\n", Request{}, []string{"line 1: ", "this is not G-code"}},
		{"larger than every bed", with(func(b *box) { b.sizeMM, b.x, b.y = 306, 0, 0 }), Request{},
			[]string{"no printer of kind fen can make it: 306 mm long, the bed takes 300"}},
		{"far off the bed", with(func(b *box) { b.x = 500 }), Request{}, []string{"line ", "X 500.00 to 530.00 mm", "no printer of kind fen can make it: lies from 500 to 530 mm along X, the bed from 0 to 300"}},
		{"taller than every printer", with(func(b *box) { b.layers = 1540 }), Request{}, []string{"308 mm tall, this printer reaches 300"}},
		{"hotter than the limit", with(func(b *box) { b.nozzleC = 290 }), Request{}, []string{"line 4: ", "290"}},
		{"a tool that is not there", strings.Replace(good().gcode(), "G28\n", "G28\nT1\n", 1), Request{}, []string{"line 6: ", "tool T1 is asked for"}},
		{"material not said", with(func(b *box) { b.comments = "; nozzle_diameter = 0.4\n" }), Request{}, []string{"the file does not say which material it was sliced for; say it, for example with --material PLA"}},
		{"declared nozzle against the beads", with(func(b *box) { b.comments, b.widthMM = "; nozzle_diameter = 0.25\n; filament_type = PLA\n", 0.9 }), Request{}, []string{"the file declares a 0.25 mm nozzle, but its lines are those of", "--nozzle 0.25"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := intake(t)
			c.req.FileName = "wing.gcode"
			_, err := in.Add(ctx, c.req, strings.NewReader(c.text))
			var r *Refusal
			if !errors.As(err, &r) || !errors.Is(err, queue.ErrRefused) {
				t.Fatalf("got %v", err)
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q is not in:\n%v", w, err)
				}
			}
			empty(t, in)
		})
	}
}

func TestWrongRequestsAreRefusedBeforeTheFileIsRead(t *testing.T) {
	many := func() []Kind { return append(kinds(), Kind{Name: "reed"}) }
	for _, c := range []struct {
		name  string
		req   Request
		kinds func() []Kind
		want  string
	}{
		{"kind open", Request{FileName: "a.gcode"}, many, "say for which kind of printer a.gcode was sliced: fen, reed"},
		{"kind unknown", Request{FileName: "a.gcode", Kind: "sedge"}, many, `there is no kind "sedge" here; there are fen, reed`},
		{"no name", Request{}, kinds, "the file has no name"},
		{"too many", Request{FileName: "a.gcode", Count: 5000}, kinds, "5000 prints of a.gcode were asked for; from 1 to 500 can be added at once"},
		{"fewer than none", Request{FileName: "a.gcode", Count: -1}, kinds, "-1 prints of a.gcode were asked for; from 1 to 500 can be added at once"},
		{"pieces", Request{FileName: "a.gcode", Pieces: -2}, kinds, "-2 pieces in one print of a.gcode; from 1 to 1000 can be told apart"},
		{"nozzle", Request{FileName: "a.gcode", NozzleMM: 12}, kinds, "a nozzle of 12 mm; between 0.1 and 3 mm are known"},
		{"nozzle not a number", Request{FileName: "a.gcode", NozzleMM: math.NaN()}, kinds, "a nozzle of NaN mm; between 0.1 and 3 mm are known"},
		{"control character", Request{FileName: "a.gcode", Part: "wing\nrib"}, kinds, "the part's name has more than 200 bytes or a control character"},
		{"a path", Request{FileName: "../../etc/wing.gcode", Count: 501}, kinds, "501 prints of wing.gcode were asked for; from 1 to 500 can be added at once"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := intake(t)
			in.Kinds = c.kinds
			_, err := in.Add(ctx, c.req, failing{t})
			if !errors.Is(err, queue.ErrInvalid) || strings.TrimSuffix(err.Error(), ": not valid") != c.want {
				t.Errorf("\n got %v\nwant %s", err, c.want)
			}
			empty(t, in)
		})
	}
}

type failing struct{ t *testing.T }

func (f failing) Read([]byte) (int, error) {
	f.t.Error("the file was read")
	return 0, io.EOF
}

func TestABodyThatBreaksOrNeverEndsLeavesNothingBehind(t *testing.T) {
	in := intake(t)
	half := io.MultiReader(strings.NewReader(good().gcode()[:500]), errReader{})
	if _, err := in.Add(ctx, Request{FileName: "a.gcode"}, half); err == nil || errors.Is(err, queue.ErrRefused) {
		t.Errorf("a broken upload: %v", err)
	}
	empty(t, in)
	in.MaxBytes = 1 << 20
	if _, err := in.Add(ctx, Request{FileName: "a.gcode"}, endless{}); !errors.Is(err, queue.ErrRefused) || !strings.Contains(err.Error(), "more than 1 MB") {
		t.Errorf("an endless upload: %v", err)
	}
	empty(t, in)
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := in.Add(gone, Request{FileName: "a.gcode"}, strings.NewReader(good().gcode())); !errors.Is(err, context.Canceled) {
		t.Errorf("a request that has ended: %v", err)
	}
	empty(t, in)
}

type errReader struct{}

func (errReader) Read([]byte) (int, error) { return 0, errors.New("connection reset") }

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	return copy(p, bytes.Repeat([]byte("G1 X1\n"), 1000)), nil
}

func TestTheNozzleIsSettledByWhatIsSaid(t *testing.T) {
	bare := "; filament_type = PLA\n"
	for _, c := range []struct {
		name   string
		change func(*box)
		req    float64
		fitted []float64
		want   float64
	}{
		{"asked for", func(b *box) {}, 0.6, nil, 0.6},
		{"declared", func(b *box) {}, 0, nil, 0.4},
		{"by what is fitted", func(b *box) { b.comments = bare }, 0, []float64{0.4, 1.2}, 0.4},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := intake(t)
			in.Kinds = func() []Kind { k := kinds(); k[0].NozzlesMM = c.fitted; return k }
			b := good()
			c.change(&b)
			a, err := in.Add(ctx, Request{FileName: "a.gcode", NozzleMM: c.req}, strings.NewReader(b.gcode()))
			if err != nil || a.Jobs[0].NozzleMM != c.want {
				t.Errorf("%v, %v", a.Jobs, err)
			}
		})
	}
}

func TestAMaterialThatIsSaidCountsForTheGrams(t *testing.T) {
	in := intake(t)
	b := good()
	b.comments = "; nozzle_diameter = 0.4\n"
	a, err := in.Add(ctx, Request{FileName: "a.gcode", Material: " petg "}, strings.NewReader(b.gcode()))
	if err != nil {
		t.Fatal(err)
	}
	if j := a.Jobs[0]; j.Material != "PETG" || math.Abs(j.File.MassG/(j.File.FilamentMM*math.Pi*1.75*1.75/4/1000)-1.27) > 1e-6 {
		t.Errorf("%s, %.3f g", j.Material, j.File.MassG)
	}
}

// A disk that keeps no file must not keep the job either.
func TestWhatCannotBeKeptIsNotQueued(t *testing.T) {
	in := intake(t)
	text := good().gcode()
	sum := sha256.Sum256([]byte(text))
	dir := filepath.Join(in.Store.Dir(), "files", hex.EncodeToString(sum[:])[:2])
	if err := os.WriteFile(dir, nil, 0o600); err != nil { // a file where the folder should be
		t.Fatal(err)
	}
	if _, err := in.Add(ctx, Request{FileName: "a.gcode"}, strings.NewReader(text)); !errors.Is(err, queue.ErrUnavailable) {
		t.Errorf("got %v", err)
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	empty(t, in)
}
