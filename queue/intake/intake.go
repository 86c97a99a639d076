// Package intake takes files in: it streams them to the data folder while it
// hashes and analyses them, and makes jobs of them or says why not. A refused
// file leaves nothing behind.
package intake

import (
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

	"undercroft/gcode/analyze"
	"undercroft/gcode/motion"
	"undercroft/queue"
	"undercroft/queue/store"
)

// Kind is what the house's printers of one kind have in common, the most that
// any of them can take.
type Kind struct {
	Name       string
	VolumeMM   []([3]float64) // one for each different printer of the kind
	OriginMM   [2]float64     // where X0 Y0 lies from the bed's front left corner
	MaxNozzleC float64        // 0: no limit is known
	MaxBedC    float64
	NozzlesMM  []float64 // fitted now, to choose between what the bead allows
	FilamentMM float64   // diameter; 0: 1.75
	Limits     motion.Limits
	AllowCodes []string
	// What its printers have taught of themselves; zero where they have not.
	Heat                analyze.HeatModels
	HomingS, LevellingS float64
}

// Request says of a file what the file does not say for sure itself.
type Request struct {
	FileName   string
	Kind       string  // empty: the only kind there is
	Part       string  // empty: from the file's name
	Assembly   string  //
	Build      string  // empty: it belongs to none
	Way        string  // the way of making the part; empty where there is one
	Section    string  // of the part, that this file makes; empty: the whole of it
	Yields     string  // of a plate of many, 'rib=4, foot=2'; empty: Pieces of Part
	Mirror     string  // the part of which this one is the mirror image
	Seam       string  // what is to be joined, of a way in sections
	WayOnly    bool    // note the way, print nothing yet
	Count      int     // how many times to print it; 0 is 1
	Pieces     int     // pieces that one print yields; 0 is 1
	NozzleMM   float64 // 0: as declared and inferred
	Material   string  // empty: as declared
	Colour     string  // empty: it does not matter
	Surface    string  // wanted plate surface; empty: by material
	ClearsSelf bool
	OnHold     bool
}

// Added is a file that was taken.
type Added struct {
	Jobs  []queue.Job // none when only the way was noted
	Print queue.Job   // what each of them is, without a number
	File  *queue.File
	Known bool // the same content was there already
}

// Refusal is the error for a file that cannot be taken; it wraps
// queue.ErrRefused. Nothing of the file was kept.
type Refusal struct {
	File     string
	Findings []queue.FileWarning // each reason, with its line where it has one
}

func (r *Refusal) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s was refused; nothing was stored", r.File)
	for _, f := range r.Findings {
		if f.Line > 0 {
			fmt.Fprintf(&b, "\n  line %d: %s", f.Line, f.Text)
		} else {
			fmt.Fprintf(&b, "\n  %s", f.Text)
		}
	}
	return b.String()
}

func (r *Refusal) Unwrap() error { return queue.ErrRefused }

// Bounds of a request.
const (
	maxCount  = 500
	maxPieces = 1000
	maxBytes  = 4 << 30
	maxName   = 200
)

// Intake takes files into one store.
type Intake struct {
	Store *store.Store
	Kinds func() []Kind // as the house is now
	// MaxBytes bounds a file; 0 stands for 4 GiB.
	MaxBytes int64
}

// Add reads a file to its end and makes jobs of it. Errors: *Refusal for what
// cannot be printed, queue.ErrInvalid for a request that is wrong or leaves
// something open, and what the disk says.
func (in *Intake) Add(ctx context.Context, req Request, body io.Reader) (Added, error) {
	return in.add(ctx, req, origin{}, body)
}

// AddFor is Add for a file that makes what another job makes: its jobs belong to
// that job's part, build and way, and are bound to the same printers.
func (in *Intake) AddFor(ctx context.Context, req Request, job *queue.Job, body io.Reader) (Added, error) {
	return in.add(ctx, req, origin{of: job}, body)
}

// origin is where a file comes from, beside a person's request.
type origin struct {
	of   *queue.Job // whose parts it makes; nil: those of the request
	once string     // it may come again after a crash under this key, see store.AddOnce; empty: it cannot
}

func (in *Intake) add(ctx context.Context, req Request, from origin, body io.Reader) (Added, error) {
	kind, err := in.check(&req)
	if err != nil {
		return Added{}, err
	}
	tmp, err := in.Store.Incoming()
	if err != nil {
		return Added{}, err
	}
	kept := false
	defer func() {
		tmp.Close()
		if !kept {
			os.Remove(tmp.Name())
		}
	}()
	res, err := in.read(ctx, &req, kind, body, tmp)
	if err != nil {
		return Added{}, err
	}
	f, refusal := judge(&req, kind, res)
	if refusal != nil {
		return Added{}, refusal
	}
	known := true
	if _, err := in.Store.File(ctx, f.SHA256); errors.Is(err, queue.ErrNotFound) {
		known = false
	} else if err != nil {
		return Added{}, err
	}
	if err := keep(tmp, in.Store.FilePath(f.SHA256)); err != nil {
		return Added{}, fmt.Errorf("keeping %s: %w: %w", req.FileName, err, queue.ErrUnavailable)
	}
	kept = true
	added, err := in.enter(ctx, &req, from, kind.Name, f, res.Layers)
	if err != nil {
		// Unless the same content came by another way meanwhile, nothing of it stays.
		if _, gone := in.Store.File(ctx, f.SHA256); errors.Is(gone, queue.ErrNotFound) {
			os.Remove(in.Store.FilePath(f.SHA256))
		}
		return Added{}, err
	}
	added.Known = known
	return added, nil
}

// read analyses a file while it goes to copy.
func (in *Intake) read(ctx context.Context, req *Request, kind Kind, body io.Reader, copy io.Writer) (*analyze.Result, error) {
	limit := in.MaxBytes
	if limit == 0 {
		limit = maxBytes
	}
	src := &bounded{r: contextReader{ctx, body}, left: limit}
	res, err := analyze.Read(io.TeeReader(src, copy), options(req, kind))
	switch {
	case errors.Is(err, errTooLarge):
		return nil, &Refusal{req.FileName, []queue.FileWarning{{Code: "too-large", Text: fmt.Sprintf("the file has more than %d MB", limit>>20)}}}
	case err != nil:
		return nil, fmt.Errorf("reading %s: %w", req.FileName, err)
	}
	return res, nil
}

// enter makes the jobs of a file, or only its way, and notes what else the
// request says of its part.
func (in *Intake) enter(ctx context.Context, req *Request, from origin, kind string, f *queue.File, layers []analyze.Layer) (Added, error) {
	j := queue.Job{State: queue.Queued, File: f, FileName: req.FileName, Part: req.Part, Assembly: req.Assembly, Build: req.Build, Way: req.Way, Kind: kind,
		NozzleMM: req.NozzleMM, Material: req.Material, Colour: req.Colour, Surface: req.Surface, Pieces: req.Pieces, ClearsSelf: req.ClearsSelf}
	var err error
	switch {
	case from.of != nil:
		of := from.of
		j.Part, j.Assembly, j.Build, j.Way, j.Yields = of.Part, of.Assembly, of.Build, of.Way, of.Yields
		j.Colour, j.OnlyOn, j.NotOn = of.Colour, of.OnlyOn, of.NotOn
	case req.Yields != "":
		if j.Yields, err = queue.ParseYields(req.Yields); err != nil {
			return Added{}, err
		}
	case req.Section != "":
		j.Yields = []queue.Yield{{Part: req.Part, SectionN: req.Section, Count: req.Pieces}}
	}
	if req.OnHold {
		j.State, j.Note = queue.OnHold, "added on hold"
	}
	var a Added
	if req.WayOnly {
		if a.Print, err = in.Store.AddWay(ctx, f, layers, j); err != nil {
			return Added{}, err
		}
	} else {
		jobs := make([]queue.Job, req.Count)
		for i := range jobs {
			jobs[i] = j
		}
		if a.Jobs, err = in.Store.AddOnce(ctx, from.once, f, layers, jobs); err != nil {
			return Added{}, err
		}
		a.Print = a.Jobs[0]
	}
	a.File = a.Print.File
	y := a.Print.Yields[0]
	if req.Seam != "" {
		if err := in.Store.ChangeWay(ctx, y.PartID, y.Way, store.WayChange{Seam: &req.Seam}); err != nil {
			return a, err
		}
	}
	if req.Mirror != "" {
		other, err := in.Store.FindPart(ctx, req.Build, "", req.Mirror)
		if err == nil {
			_, err = in.Store.ChangePart(ctx, y.PartID, store.PartChange{MirrorOf: &other.ID})
		}
		if err != nil {
			return a, fmt.Errorf("%s was added, but it is not noted as the mirror image of %s: %w", req.FileName, req.Mirror, err)
		}
	}
	return a, nil
}

// ByHand says of something that is made without a link what a file would say.
type ByHand struct {
	Part, Assembly, Build string
	Way                   string
	Mirror                string
	Material              string
	Count                 int // how many times to make it; 0 is 1
	Pieces                int // pieces at once; 0 is 1
	Hours                 float64
	Grams                 float64
	OnHold                bool
}

// AddByHand makes jobs of what a person makes on a printer without a link.
func (in *Intake) AddByHand(ctx context.Context, b ByHand) (Added, error) {
	req := Request{FileName: b.Part, Part: b.Part, Assembly: b.Assembly, Build: b.Build, Way: b.Way, Mirror: b.Mirror, Material: b.Material, Count: b.Count, Pieces: b.Pieces, OnHold: b.OnHold}
	if strings.TrimSpace(b.Part) == "" {
		return Added{}, fmt.Errorf("say which part is made by hand: %w", queue.ErrInvalid)
	}
	if err := tidy(&req); err != nil {
		return Added{}, err
	}
	if !(b.Hours >= 0 && b.Hours <= 1000) || !(b.Grams >= 0 && b.Grams <= 100000) {
		return Added{}, fmt.Errorf("%g hours and %g g for %s; up to 1000 hours and 100 kg are believed: %w", b.Hours, b.Grams, b.Part, queue.ErrInvalid)
	}
	f := &queue.File{Name: req.Part, EstimateS: b.Hours * 3600, MassG: b.Grams, ByHand: true}
	sum := sha256.Sum256(fmt.Appendf(nil, "by hand|%s|%s|%s|%g|%g", req.Build, req.Assembly, req.Part, b.Hours, b.Grams))
	f.SHA256 = hex.EncodeToString(sum[:])
	return in.enter(ctx, &req, origin{}, queue.ByHand, f, nil)
}

// keep makes the temporary file durable under its hash: first its bytes, then
// its name.
func keep(tmp *os.File, path string) error {
	if err := tmp.Sync(); err != nil {
		return err
	}
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// check fills the request's defaults and finds its kind.
func (in *Intake) check(req *Request) (Kind, error) {
	bad := func(format string, args ...any) (Kind, error) {
		return Kind{}, fmt.Errorf(format+": %w", append(args, queue.ErrInvalid)...)
	}
	req.FileName = filepath.Base(strings.TrimSpace(req.FileName))
	if req.FileName == "." || req.FileName == string(filepath.Separator) {
		return bad("the file has no name")
	}
	if err := tidy(req); err != nil {
		return Kind{}, err
	}
	kinds := in.Kinds()
	if req.Kind == "" && len(kinds) == 1 {
		return kinds[0], nil
	}
	names := make([]string, len(kinds))
	for i, k := range kinds {
		if k.Name == req.Kind {
			return k, nil
		}
		names[i] = k.Name
	}
	if req.Kind == "" {
		return bad("say for which kind of printer %s was sliced: %s", req.FileName, strings.Join(names, ", "))
	}
	return bad("there is no kind %q here; there are %s", req.Kind, strings.Join(names, ", "))
}

// tidy fills the defaults of what a request says of its part, and bounds it.
func tidy(req *Request) error {
	bad := func(format string, args ...any) error {
		return fmt.Errorf(format+": %w", append(args, queue.ErrInvalid)...)
	}
	if req.Part = strings.TrimSpace(req.Part); req.Part == "" {
		req.Part = strings.TrimSuffix(req.FileName, filepath.Ext(req.FileName))
	}
	for what, v := range map[string]*string{"the file's name": &req.FileName, "the part's name": &req.Part, "the assembly's name": &req.Assembly, "the build's name": &req.Build,
		"the way's name": &req.Way, "the section's name": &req.Section, "the mirror image's name": &req.Mirror, "the seam": &req.Seam, "the material": &req.Material, "the colour": &req.Colour, "the surface": &req.Surface} {
		*v = strings.TrimSpace(*v)
		if len(*v) > maxName || strings.ContainsFunc(*v, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			return bad("%s has more than %d bytes or a control character", what, maxName)
		}
	}
	if len(req.Yields) > 20*maxName {
		return bad("what one print makes takes more than %d bytes to say", 20*maxName)
	}
	if req.Count == 0 {
		req.Count = 1
	}
	if req.Pieces == 0 {
		req.Pieces = 1
	}
	if req.Count < 0 || req.Count > maxCount {
		return bad("%d prints of %s were asked for; from 1 to %d can be added at once", req.Count, req.FileName, maxCount)
	}
	if req.Pieces < 0 || req.Pieces > maxPieces {
		return bad("%d pieces in one print of %s; from 1 to %d can be told apart", req.Pieces, req.FileName, maxPieces)
	}
	if req.Yields != "" && (req.Pieces > 1 || req.Section != "") {
		return bad("%s is said to make '%s', and %d pieces or a section of %s; say one of them", req.FileName, req.Yields, req.Pieces, req.Part)
	}
	if req.NozzleMM != 0 && !(req.NozzleMM >= 0.1 && req.NozzleMM <= 3) {
		return bad("a nozzle of %g mm; between 0.1 and 3 mm are known", req.NozzleMM)
	}
	req.Material = strings.ToUpper(req.Material)
	req.Surface, req.Colour = strings.ToLower(req.Surface), strings.ToLower(req.Colour)
	return nil
}

// aroundMM is how far beyond the plate a nozzle may go for prime lines, wiping
// and lifting before that counts as beyond the printer's reach (common practice,
// no source). What is extruded as part of the piece must lie on the plate.
const aroundMM = 10

// Options are what files for a kind of printer are read with and checked against.
// They wrap queue.ErrNotFound where there is no such kind.
func (in *Intake) Options(kind, material string) (analyze.Options, error) {
	for _, k := range in.Kinds() {
		if k.Name == kind {
			return options(&Request{Material: material}, k), nil
		}
	}
	return analyze.Options{}, fmt.Errorf("there is no kind %q here: %w", kind, queue.ErrNotFound)
}

func options(req *Request, k Kind) analyze.Options {
	m := &analyze.Machine{MaxNozzleC: k.MaxNozzleC, MaxBedC: k.MaxBedC, Tools: 1}
	box := analyze.Box{Min: [3]float64{-aroundMM - k.OriginMM[0], -aroundMM - k.OriginMM[1], -aroundMM}}
	known := len(k.VolumeMM) > 0
	for _, v := range k.VolumeMM {
		for a := range 3 {
			known = known && v[a] > 0
			box.Max[a] = max(box.Max[a], box.Min[a]+v[a]+2*aroundMM)
		}
	}
	if known {
		m.Volume = &box
	}
	return analyze.Options{Limits: k.Limits, Machine: m, FilamentMM: k.FilamentMM, DensityGCM3: analyze.DensityGCM3(req.Material), AllowCodes: k.AllowCodes,
		HeatS: k.Heat.Seconds, HomingS: k.HomingS, LevellingS: k.LevellingS}
}

// judge decides what is not yet said of a file, and refuses it when that cannot
// be decided or no printer of the kind can make it.
func judge(req *Request, k Kind, res *analyze.Result) (*queue.File, *Refusal) {
	f := summary(req.FileName, res)
	ref := &Refusal{File: req.FileName}
	for _, w := range res.Findings {
		out := queue.FileWarning{Code: w.Code, Line: w.Line, Text: w.Text}
		if w.Severity == analyze.Refuse {
			ref.Findings = append(ref.Findings, out)
		} else {
			f.Warnings = append(f.Warnings, out)
		}
	}
	no := func(code, text string) {
		for _, have := range ref.Findings {
			if have.Code == code {
				return
			}
		}
		ref.Findings = append(ref.Findings, queue.FileWarning{Code: code, Text: text})
	}
	if len(ref.Findings) == 0 { // no use in asking for a nozzle of what is not G-code
		if text := nozzle(req, k, res.Nozzle); text != "" {
			no("nozzle-unknown", text)
		}
		if req.Material == "" {
			req.Material = f.Declared
		}
		if req.Material == "" {
			no("material-unknown", "the file does not say which material it was sliced for; say it, for example with --material PLA")
		}
	}
	if !res.Extruded.Empty {
		if text := fits(k, f); text != "" {
			no("beyond-build-volume", text)
		}
	}
	if len(ref.Findings) > 0 {
		return nil, ref
	}
	return f, nil
}

// nozzle settles the request's nozzle and returns what to say when it cannot:
// what was asked for stands, else what the file declares when its beads agree,
// else what only one of the beads' candidates or of the fitted nozzles allows.
func nozzle(req *Request, k Kind, n analyze.Nozzle) string {
	if req.NozzleMM != 0 {
		return ""
	}
	if n.DeclaredMM != 0 {
		if len(n.InferredMM) == 0 || has(n.InferredMM, n.DeclaredMM) {
			req.NozzleMM = n.DeclaredMM
			return ""
		}
		return fmt.Sprintf("the file declares a %g mm nozzle, but its lines are those of %s mm; say which holds, for example with --nozzle %g", n.DeclaredMM, list(n.InferredMM), n.DeclaredMM)
	}
	switch len(n.InferredMM) {
	case 0:
		return "the file does not say which nozzle it was sliced for, and its lines do not show it; say it, for example with --nozzle 0.4"
	case 1:
		req.NozzleMM = n.InferredMM[0]
		return ""
	}
	var fitted []float64
	for _, mm := range n.InferredMM {
		if has(k.NozzlesMM, mm) {
			fitted = append(fitted, mm)
		}
	}
	if len(fitted) == 1 {
		req.NozzleMM = fitted[0]
		return ""
	}
	return fmt.Sprintf("the file's lines could be those of %s mm; say which, for example with --nozzle %g", list(n.InferredMM), n.InferredMM[0])
}

func has(set []float64, mm float64) bool {
	for _, v := range set {
		if math.Abs(v-mm) < 0.001 {
			return true
		}
	}
	return false
}

func list(mm []float64) string {
	words := make([]string, len(mm))
	for i, v := range mm {
		words[i] = fmt.Sprintf("%g", v)
	}
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// fits returns why no printer of the kind can hold the piece, by the one that
// comes nearest; empty when one can.
func fits(k Kind, f *queue.File) string {
	j := queue.Job{Kind: k.Name, File: f}
	var best []string
	bestMM3 := 0.0
	for _, v := range k.VolumeMM {
		m := queue.Machine{Kind: k.Name, VolumeMM: v, OriginMM: k.OriginMM}
		if queue.Could(&j, &m) {
			return ""
		}
		var words []string
		for _, o := range queue.Eligible(&j, &m, &queue.House{}) {
			if o.Waits == queue.ForNothing {
				words = append(words, o.Text)
			}
		}
		mm3 := v[0] * v[1] * v[2]
		if best == nil || len(words) < len(best) || len(words) == len(best) && mm3 > bestMM3 {
			best, bestMM3 = words, mm3
		}
	}
	if best == nil {
		return ""
	}
	return "no printer of kind " + k.Name + " can make it: " + strings.Join(best, "; ")
}

// summary keeps of an analysis what the queue needs.
func summary(name string, res *analyze.Result) *queue.File {
	f := &queue.File{
		SHA256: res.SHA256, Name: name, Bytes: res.Bytes, Lines: res.Lines, EstimateS: res.TimeS, HeightMM: res.HeightMM, LayerMM: res.LayerMM,
		LayerCount: len(res.Layers), MinMM: res.Extruded.Min, MaxMM: res.Extruded.Max, NozzleC: res.Temps.MaxNozzleC, BedC: res.Temps.MaxBedC,
		Declared: strings.ToUpper(res.Material), InferredMM: res.Nozzle.InferredMM, DeclaredMM: res.Nozzle.DeclaredMM, Outline: silhouette(res.Outline),
	}
	for _, t := range res.Tools {
		f.FilamentMM += t.FilamentMM
		f.MassG += t.MassG
	}
	if f.FilamentMM > 0 {
		f.FilamentGPMM = f.MassG / f.FilamentMM
	}
	return f
}

// silhouette scales an outline in mm to 0…1 of its widest extent.
func silhouette(mm [][2]float64) [][2]float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range mm {
		if s[1] > s[0] {
			lo, hi = min(lo, s[0]), max(hi, s[1])
		}
	}
	if !(hi > lo) {
		return nil
	}
	out := make([][2]float64, len(mm))
	for i, s := range mm {
		for k, v := range s {
			out[i][k] = math.Round(min(1, max(0, (v-lo)/(hi-lo)))*1e4) / 1e4
		}
	}
	return out
}

var errTooLarge = errors.New("larger than allowed")

// bounded stops an endless body.
type bounded struct {
	r    io.Reader
	left int64
}

func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	if b.left -= int64(n); b.left < 0 {
		return 0, errTooLarge
	}
	return n, err
}

// contextReader ends a body when its request has ended.
type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (c contextReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}
