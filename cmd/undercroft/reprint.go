package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/alecthomas/kong"

	"undercroft/cmd/undercroft/config"
	"undercroft/gcode/analyze"
	"undercroft/gcode/motion"
	"undercroft/gcode/reprint"
	"undercroft/web"
)

// reprintCmd says what printing only what is missing comes to, and writes it: of
// a file, without a daemon, or of a daemon's job.
type reprintCmd struct {
	clientFlags
	File    string `arg:"" optional:"" help:"The original G-code file." type:"existingfile"`
	Job     int64  `help:"A job of the daemon instead of a file: its record is known, and --queue queues the remainder." placeholder:"ID"`
	Confirm bool   `name:"queue" help:"With --job: queue the remainder as a job of the same part."`

	Height    *float64  `help:"Height up to which the piece is good, or the layer's end that you picked." placeholder:"MM"`
	Measured  []float64 `help:"Caliper readings of the good piece, at several places." placeholder:"MM"`
	Missing   []float64 `help:"Caliper readings of what broke off: the whole less that." placeholder:"MM"`
	NoPlastic bool      `help:"The print may have gone on without plastic (a clog): the record then means nothing."`
	Allowance float64   `help:"For the seam, in whole layers: above 0 leaves a gap, below 0 overlaps what you sand off." placeholder:"MM"`

	Skirt  int       `help:"Loops of our own around the first layer." placeholder:"N"`
	At     []float64 `help:"Where the middle of the remainder comes to lie on the plate." placeholder:"X,Y"`
	Object int       `help:"Which object of a file that prints one after the other, from 1." placeholder:"N"`
	Piece  []string  `help:"Only these pieces of a plate of several, as the file names them." placeholder:"NAME"`

	InPlace  bool    `help:"Go on where the piece still stands, instead of a remainder. Homes X and Y, never Z."`
	Rebooted bool    `help:"With --in-place: the firmware started anew, or its motors were off."`
	Bed      float64 `help:"With --in-place: how warm the plate is now, in °C." placeholder:"C"`
	Reason   string  `help:"With --in-place: why it may go on in spite of what speaks against it; it is written into the file."`

	PerKg   float64 `help:"Price of a kilogram of filament, to reckon money." placeholder:"MONEY"`
	PerHour float64 `help:"Price of an hour of machine time." placeholder:"MONEY"`
	Limits  string  `help:"TOML file with the machine's limits of speed and acceleration." type:"existingfile" placeholder:"LIMITS.toml"`
	Picture string  `help:"Draw the cut: from the front and from above." type:"path" placeholder:"OUT.svg"`
	Out     string  `short:"o" help:"Write the G-code there. Nothing is written that did not stand the check." type:"path" placeholder:"OUT.gcode"`
}

// AfterApply keeps the embedded flags from asking for a daemon before it is known
// that one is needed.
func (r *reprintCmd) AfterApply(k *kong.Context) error {
	switch {
	case (r.File == "") == (r.Job == 0):
		return errors.New("name the original file, or a job with --job, not both")
	case len(r.At) != 0 && len(r.At) != 2:
		return fmt.Errorf("--at takes a place of two numbers, X,Y; it was given %d", len(r.At))
	case r.Confirm && r.Job == 0:
		return errors.New("--queue queues the remainder of a daemon's job: name it with --job")
	case r.Job != 0 && (r.InPlace || r.Out != ""):
		return errors.New("with --job the remainder is queued by --queue; for a file of your own name the original file")
	}
	if r.Job != 0 {
		return r.clientFlags.AfterApply(k)
	}
	k.Bind((*client)(nil))
	return nil
}

// Run prints the report.
func (r *reprintCmd) Run(c *client) error {
	if c != nil {
		return r.ofJob(c)
	}
	return r.ofFile(os.Stdout)
}

func (r *reprintCmd) ofJob(c *client) error {
	req := web.ReprintRequest{HeightMM: r.Height, Measured: r.Measured, Missing: r.Missing, NoPlastic: r.NoPlastic, AllowanceMM: r.Allowance,
		Skirt: r.Skirt, AtMM: r.At, Object: r.Object, Pieces: r.Piece, Confirm: r.Confirm}
	var rep web.Reprint
	if err := c.post(fmt.Sprintf("/api/jobs/%d/reprint", r.Job), req, &rep); err != nil {
		return err
	}
	if r.Picture != "" && rep.Picture != "" {
		if err := os.WriteFile(r.Picture, []byte(rep.Picture), 0o644); err != nil {
			return err
		}
	}
	if c.json {
		return c.printJSON(rep)
	}
	writeReprint(c.out, &rep.ReprintReport)
	if rep.JobID != 0 {
		return c.say("\nJob %d prints what is missing. When it is joined and has cured: undercroft joined %d", rep.JobID, rep.JobID)
	}
	return c.say("\nNothing is queued yet: the same command with --queue queues the remainder; undercroft decide %d again prints it whole.", r.Job)
}

func (r *reprintCmd) ofFile(w io.Writer) error {
	limits := motion.Default()
	if r.Limits != "" {
		var err error
		if limits, err = config.LoadLimits(r.Limits); err != nil {
			return err
		}
	}
	q := reprint.Request{
		Given: r.Height, Measured: r.Measured, MissingMM: r.Missing, NoPlastic: r.NoPlastic, Allowance: r.Allowance, WantsPlace: r.InPlace,
		Rates:   reprint.Rates{PerKg: r.PerKg, PerHour: r.PerHour},
		Options: reprint.Options{Name: filepath.Base(r.File), Object: r.Object, Pieces: r.Piece, Skirt: r.Skirt, Analyze: analyze.Options{Limits: limits}},
	}
	if len(r.At) == 2 {
		q.At = &[2]float64{r.At[0], r.At[1]}
	}
	src, err := os.Open(r.File)
	if err != nil {
		return err
	}
	defer src.Close()
	res, err := analyze.Read(src, q.Analyze)
	if err != nil {
		return fmt.Errorf("cannot read %s: %w", r.File, err)
	}
	if r.InPlace {
		q.Standing = &reprint.Standing{Rebooted: r.Rebooted, BedC: r.Bed, PrintBedC: res.Temps.FirstBedC, Reason: r.Reason}
	}
	rep, made, err := r.assess(src, res, q)
	switch {
	case errors.Is(err, reprint.ErrRequest):
		return exitf(exitUsage, "%v", err)
	case errors.Is(err, reprint.ErrFile), errors.Is(err, reprint.ErrCheck):
		return exitf(exitRefused, "%v", err)
	case err != nil:
		return err
	}
	if made != nil && r.Picture != "" {
		if err := writeTo(r.Picture, made.Plan.Picture); err != nil {
			return err
		}
	}
	if r.JSON {
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		err = enc.Encode(rep)
	} else {
		var view web.ReprintReport
		if view, err = reportView(rep); err == nil {
			writeReprint(w, &view)
			if made != nil && r.Out != "" {
				fmt.Fprintf(w, "\n%s holds it.\n", r.Out)
			}
		}
	}
	if err == nil && made == nil {
		return exitf(exitRefused, "%s", rep.Missed(r.InPlace))
	}
	return err
}

// assess writes beside the wanted place first: nobody sees what did not stand the
// check.
func (r *reprintCmd) assess(src io.ReadSeeker, res *analyze.Result, q reprint.Request) (*reprint.Report, *reprint.Made, error) {
	if r.Out == "" {
		return reprint.Assess(src, res, q, io.Discard)
	}
	tmp, err := os.CreateTemp(filepath.Dir(r.Out), ".reprint-*")
	if err != nil {
		return nil, nil, err
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	if r.Reason != "" {
		fmt.Fprintf(tmp, "; goes on in place in spite of what speaks against it, because: %q\n", r.Reason)
	}
	rep, made, err := reprint.Assess(src, res, q, tmp)
	if err != nil || made == nil {
		return rep, nil, err
	}
	if err := tmp.Chmod(0o644); err != nil {
		return nil, nil, err
	}
	if err := tmp.Close(); err != nil {
		return nil, nil, err
	}
	return rep, made, os.Rename(tmp.Name(), r.Out)
}

func writeTo(name string, write func(io.Writer) error) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// heightWords says how a height is known.
var heightWords = map[string]string{
	reprint.Recorded: "recorded: executed for certain", reprint.Measured: "measured: the good piece",
	reprint.Missing: "measured: the whole less what is missing", reprint.Given: "as you say",
}

var wayWords = map[string]string{
	reprint.Whole: "whole again", reprint.Remainder: "remainder, joined", reprint.InPlace: "go on in place", reprint.OtherWay: "the other way",
}

// writeReprint prints a report for a person.
func writeReprint(w io.Writer, r *web.ReprintReport) {
	fmt.Fprintf(w, "The whole piece is %s mm high in %d layers.\n\n", height(r.HeightMM), r.LayerCount)
	t := newTable(w, "HEIGHT", "MM", "GOOD LAYERS", "END AT", "NEXT LAYER")
	for _, h := range r.Heights {
		t.row(heightWords[h.How], fmt.Sprintf("%.2f", h.MM), fmt.Sprint(h.Good), fmt.Sprintf("%.2f", h.TopMM), fmt.Sprintf("%.2f", h.NextMM))
	}
	t.end()
	if d := r.Readings; d != nil && len(d.Refused) > 0 {
		fmt.Fprintf(w, "Readings that do not agree with the others and were not used: %v\n", d.Refused)
	}
	fmt.Fprintf(w, "Cut at %.2f mm, behind layer %d: %s.\n", r.CutMM, r.GoodLayers, r.TrustedWhy)
	if r.AllowanceMM != 0 {
		fmt.Fprintf(w, "Allowance for the seam: %+.2f mm, in whole layers.\n", r.AllowanceMM)
	}
	fmt.Fprintf(w, "Missing: %d layers, %.2f mm; the first of them is %.2f mm thick. %.0f of %.0f mm² of it touch the good piece.\n\n",
		r.LeftLayers, r.LeftMM, r.FirstMM, r.Seam.ContactMM2, r.Seam.FirstMM2)
	t = newTable(w, "WAY ON", "HOURS", "GRAMS", "YOUR MINUTES", "RISK", "")
	for _, y := range r.Ways {
		if !y.Possible {
			t.row(wayWords[y.Kind], "-", "-", "-", "-", "no: "+y.Text)
			continue
		}
		if y.Money > 0 {
			y.Text = fmt.Sprintf("%s; %.2f in money", y.Text, y.Money)
		}
		t.row(wayWords[y.Kind], fmt.Sprintf("%.1f", y.Hours), fmt.Sprintf("%.0f", y.Grams), fmt.Sprintf("%.0f", y.HandsMin), fmt.Sprintf("%.0f %%", 100*y.Risk), y.Text)
	}
	t.end()
	fmt.Fprintf(w, "\nRecommended: %s.\n", r.TakeWhy)
	fmt.Fprintf(w, "In a slicer instead: %s.\n", r.SinkWhy)
	if len(r.Remarks) > 0 {
		fmt.Fprintln(w, "\nBefore you print it:")
		for _, m := range r.Remarks {
			fmt.Fprintf(w, "  - %s\n", plain(m.Text))
		}
	}
	if len(r.Checks) > 0 {
		fmt.Fprintln(w, "\nBefore it goes on in place, see yourself that")
		for _, m := range r.Checks {
			fmt.Fprintf(w, "  - %s\n", plain(m))
		}
	}
}

// joinedCmd answers a remainder whose print was good.
type joinedCmd struct {
	jobArg
	Bad bool `help:"It did not hold or does not fit: decide again."`
}

// Run asks the daemon.
func (j *joinedCmd) Run(c *client) error {
	if err := c.post(j.path("joined"), web.Joined{Good: !j.Bad}, nil); err != nil {
		return err
	}
	if j.Bad {
		return c.say("Job %d needs your decision again.", j.Job)
	}
	return c.say("Job %d is done; its piece counts.", j.Job)
}
