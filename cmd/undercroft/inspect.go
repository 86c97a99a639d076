package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"undercroft/cmd/undercroft/config"
	"undercroft/gcode/analyze"
	"undercroft/gcode/motion"
	"undercroft/web"
)

// inspectCmd says what G-code files will do. It always answers: what `add`
// would refuse is told, and the exit code is 0 unless a file cannot be read.
type inspectCmd struct {
	Files   []string `arg:"" name:"file" help:"G-code files." type:"existingfile"`
	Limits  string   `help:"TOML file with the machine's limits of speed and acceleration." type:"existingfile" placeholder:"LIMITS.toml"`
	JSON    bool     `help:"Print JSON, one object a file." name:"json"`
	Layers  bool     `help:"Print the layer table too."`
	Price   float64  `help:"Price of a kilogram of the filament, to say what it costs." placeholder:"PER-KG"`
	Density float64  `help:"Density of the filament in g/cm³, where the file does not declare a known material." placeholder:"G/CM3"`
	Printer string   `help:"Read it as the daemon would for this printer: its limits, reach, heaters and homing; and say what the estimate means there by the runs so far." placeholder:"NAME"`
	Server  string   `env:"UNDERCROFT_SERVER" placeholder:"URL" help:"Where the daemon answers, for --printer. Left out: where the configuration on this computer has it listen, else http://127.0.0.1:8017."`
	Key     string   `env:"UNDERCROFT_KEY" placeholder:"KEY" help:"A key, where the daemon asks for one."`
	Trust   string   `env:"UNDERCROFT_TRUST" placeholder:"FINGERPRINT" help:"Trust the certificate with this SHA-256 fingerprint."`
	// Picture takes one file.
	Picture string `help:"Draw the silhouettes of one file: front, side and plan." type:"path" placeholder:"OUT.png"`
}

// Run prints to standard output.
func (c *inspectCmd) Run() error { return c.run(os.Stdout) }

func (c *inspectCmd) run(w io.Writer) error {
	if !(c.Price >= 0 && c.Price < 1e9) || !(c.Density >= 0 && c.Density < 30) {
		return fmt.Errorf("--price and --density are a price for a kilogram and g/cm³, above zero")
	}
	o := analyze.Options{Limits: motion.Default()}
	if c.Printer != "" {
		m, err := c.machine(w)
		if err != nil {
			return err
		}
		o = readWith(m)
	}
	if c.Limits != "" {
		var err error
		if o.Limits, err = config.LoadLimits(c.Limits); err != nil {
			return err
		}
	}
	o.DensityGCM3, o.Views = c.Density, c.Picture != ""
	if c.Picture != "" && len(c.Files) != 1 {
		return fmt.Errorf("--picture draws one file, not %d", len(c.Files))
	}
	for i, name := range c.Files {
		r, err := inspectFile(name, o)
		if err != nil {
			return err
		}
		if c.Picture != "" {
			if err := writePicture(c.Picture, r.Views); err != nil {
				return err
			}
		}
		var means *web.Expected
		if c.Printer != "" {
			if means, err = c.expect(r, w); err != nil {
				return err
			}
		}
		if c.JSON {
			if err := writeInspectJSON(w, r, c.Layers, c.Price, means); err != nil {
				return err
			}
			continue
		}
		if i > 0 {
			fmt.Fprintln(w)
		}
		writeInspectText(w, filepath.Base(name), r, c.Layers, c.Price)
		if means != nil {
			writeExpected(w, c.Printer, means)
		}
	}
	return nil
}

func inspectFile(name string, o analyze.Options) (*analyze.Result, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("cannot read the file: %w", err)
	}
	defer f.Close()
	r, err := analyze.Read(f, o)
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", name, err)
	}
	return r, nil
}

type inspectJSON struct {
	SHA256       string             `json:"sha256"`
	Bytes        int64              `json:"bytes"`
	Lines        int64              `json:"lines"`
	TimeS        float64            `json:"time_s"`
	MotionS      float64            `json:"motion_s"`
	HeatS        float64            `json:"heat_s"`
	FilamentMM   []float64          `json:"filament_mm"`
	VolumeMM3    float64            `json:"volume_mm3"`
	MassG        *float64           `json:"mass_g"`         // null: the material's density is not known
	Cost         *float64           `json:"cost,omitempty"` // of the filament, where its price and mass are known
	Layers       int                `json:"layers"`
	HeightMM     float64            `json:"height_mm"`
	FirstLayerMM float64            `json:"first_layer_mm"`
	LayerMM      float64            `json:"layer_mm"`
	Extents      *inspectExtents    `json:"extents"`
	Bead         map[string]float64 `json:"bead_mm"`
	Nozzle       inspectNozzle      `json:"nozzle_mm"`
	Material     string             `json:"material"`
	Temps        map[string]float64 `json:"temps"`
	Features     []string           `json:"features"`
	Warnings     []inspectFinding   `json:"warnings"`
	Table        []inspectLayer     `json:"layer_table,omitempty"`
	Expected     *web.Expected      `json:"expected,omitempty"` // on the printer that was asked for
}

type inspectExtents struct {
	Min [3]float64 `json:"min"`
	Max [3]float64 `json:"max"`
}

type inspectNozzle struct {
	Inferred []float64 `json:"inferred"`
	Declared *float64  `json:"declared"`
}

type inspectFinding struct {
	Code    string `json:"code"`
	Refused bool   `json:"refused"`
	Line    int64  `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
	Text    string `json:"text"`
}

type inspectLayer struct {
	TopMM       float64 `json:"top_mm"`
	ThicknessMM float64 `json:"thickness_mm"`
	Line        int64   `json:"line"`
	EndLine     int64   `json:"end_line"`
	Offset      int64   `json:"offset"`
	EndOffset   int64   `json:"end_offset"`
	StartS      float64 `json:"start_s"`
	EndS        float64 `json:"end_s"`
	FilamentMM  float64 `json:"filament_mm"`
}

// rounded keeps a number to the given decimals: what is printed is not more
// exact than what is known.
func rounded(v float64, decimals int) float64 {
	p := math.Pow(10, float64(decimals))
	return math.Round(v*p) / p
}

func writeInspectJSON(w io.Writer, r *analyze.Result, table bool, price float64, means *web.Expected) error {
	j := inspectJSON{
		Expected: means,
		SHA256:   r.SHA256, Bytes: r.Bytes, Lines: r.Lines,
		TimeS: rounded(r.TimeS, 3), MotionS: rounded(r.MotionS, 4), HeatS: rounded(r.HeatS, 3),
		FilamentMM: []float64{}, Layers: len(r.Layers),
		HeightMM: rounded(r.HeightMM, 4), FirstLayerMM: rounded(r.FirstLayerMM, 4), LayerMM: rounded(r.LayerMM, 4),
		Bead: map[string]float64{
			"typical": rounded(r.Bead.TypicalMM, 3), "narrowest": rounded(r.Bead.NarrowestMM, 3), "widest": rounded(r.Bead.WidestMM, 3)},
		Nozzle:   inspectNozzle{Inferred: append([]float64{}, r.Nozzle.InferredMM...)},
		Material: r.Material,
		Temps: map[string]float64{
			"first_nozzle_c": r.Temps.FirstNozzleC, "first_bed_c": r.Temps.FirstBedC,
			"max_nozzle_c": r.Temps.MaxNozzleC, "max_bed_c": r.Temps.MaxBedC, "max_chamber_c": r.Temps.MaxChamberC},
		Features: append([]string{}, r.Features...),
		Warnings: []inspectFinding{},
	}
	massG := 0.0
	for _, t := range r.Tools {
		j.FilamentMM = append(j.FilamentMM, rounded(t.FilamentMM, 3))
		j.VolumeMM3 += t.VolumeMM3
		massG += t.MassG
	}
	j.VolumeMM3 = rounded(j.VolumeMM3, 2)
	if massG > 0 || analyze.DensityGCM3(r.Material) > 0 {
		if price > 0 {
			cost := rounded(massG/1000*price, 4)
			j.Cost = &cost
		}
		massG = rounded(massG, 3)
		j.MassG = &massG
	}
	if r.Nozzle.DeclaredMM > 0 {
		j.Nozzle.Declared = &r.Nozzle.DeclaredMM
	}
	if !r.Extruded.Empty {
		j.Extents = &inspectExtents{}
		for i := range 3 {
			j.Extents.Min[i], j.Extents.Max[i] = rounded(r.Extruded.Min[i], 4), rounded(r.Extruded.Max[i], 4)
		}
	}
	for _, f := range r.Findings {
		j.Warnings = append(j.Warnings, inspectFinding{f.Code, f.Severity == analyze.Refuse, f.Line, f.Column, f.Text})
	}
	if table {
		for _, l := range r.Layers {
			j.Table = append(j.Table, inspectLayer{rounded(l.TopMM, 4), rounded(l.ThicknessMM, 4), l.Line, l.EndLine,
				l.Offset, l.EndOffset, rounded(l.StartS, 3), rounded(l.EndS, 3), rounded(l.FilamentMM, 4)})
		}
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(j)
}

func writeInspectText(w io.Writer, name string, r *analyze.Result, table bool, price float64) {
	fmt.Fprintf(w, "%s: %d lines, %s\n", name, r.Lines, spellBytes(r.Bytes))
	row := func(label, format string, args ...any) {
		fmt.Fprintf(w, "  %-10s %s\n", label, fmt.Sprintf(format, args...))
	}
	row("time", "%s, of which %s heating", spell(r.TimeS), spell(r.HeatS))
	if len(r.Layers) > 0 {
		row("height", "%.2f mm in %d layers; first %.2f mm, most %.2f mm", r.HeightMM, len(r.Layers), r.FirstLayerMM, r.LayerMM)
	}
	if !r.Extruded.Empty {
		s := r.Extruded.Size()
		row("size", "%.1f × %.1f × %.1f mm, X %.1f to %.1f, Y %.1f to %.1f", s[0], s[1], r.Extruded.Max[2],
			r.Extruded.Min[0], r.Extruded.Max[0], r.Extruded.Min[1], r.Extruded.Max[1])
	}
	for i, t := range r.Tools {
		if t.FilamentMM == 0 {
			continue
		}
		mass := ""
		if t.MassG > 0 {
			mass = fmt.Sprintf(", %.1f g", t.MassG)
			if price > 0 {
				mass += fmt.Sprintf(", costs %.2f", t.MassG/1000*price)
			}
		}
		row("filament", "%.2f m (tool %d), %.1f cm³%s", t.FilamentMM/1000, i, t.VolumeMM3/1000, mass)
	}
	if r.Bead.TypicalMM > 0 {
		row("bead", "%.2f mm wide, from %.2f to %.2f mm", r.Bead.TypicalMM, r.Bead.NarrowestMM, r.Bead.WidestMM)
		row("nozzle", "%s", nozzleWords(r.Nozzle))
	}
	if r.Peaks.FlowMM3s > 0 {
		row("peaks", "%.1f mm³/s (line %d), %.0f mm/s (line %d)", r.Peaks.FlowMM3s, r.Peaks.FlowLine, r.Peaks.FeedMMs, r.Peaks.FeedLine)
	}
	if r.Material != "" {
		row("material", "%s (declared)", r.Material)
	}
	if r.Temps.MaxNozzleC > 0 || r.Temps.MaxBedC > 0 {
		row("heat", "nozzle %g °C first, %g °C at most; bed %g °C first, %g °C at most",
			r.Temps.FirstNozzleC, r.Temps.MaxNozzleC, r.Temps.FirstBedC, r.Temps.MaxBedC)
	}
	if len(r.Features) > 0 {
		row("holds", "%s", strings.Join(r.Features, ", "))
	}
	for _, f := range r.Findings {
		word := "warning"
		if f.Severity == analyze.Refuse {
			word = "would be refused"
		}
		place := ""
		if f.Line > 0 {
			place = fmt.Sprintf(" line %d:", f.Line)
		}
		fmt.Fprintf(w, "  %s (%s):%s %s\n", word, f.Code, place, f.Text)
		if f.Excerpt != "" {
			for _, l := range strings.Split(f.Excerpt, "\n") {
				fmt.Fprintf(w, "      %s\n", l)
			}
		}
	}
	if !table {
		return
	}
	fmt.Fprintf(w, "  %5s %9s %9s %10s %10s %11s %11s\n", "layer", "top mm", "thick mm", "line", "to line", "from", "filament mm")
	for i, l := range r.Layers {
		fmt.Fprintf(w, "  %5d %9.3f %9.3f %10d %10d %11s %11.1f\n", i+1, l.TopMM, l.ThicknessMM, l.Line, l.EndLine, spell(l.StartS), l.FilamentMM)
	}
}

func nozzleWords(n analyze.Nozzle) string {
	var fits []string
	for _, d := range n.InferredMM {
		fits = append(fits, fmt.Sprintf("%g", d))
	}
	s := "no usual nozzle fits this bead"
	if len(fits) > 0 {
		s = strings.Join(fits, " or ") + " mm by the bead"
	}
	if n.DeclaredMM > 0 {
		s += fmt.Sprintf("; %g mm declared", n.DeclaredMM)
	}
	return s
}

// spell writes seconds as people say them: 3 h 05 min, 12 min 30 s, 8 s.
func spell(s float64) string {
	d := time.Duration(math.Round(s)) * time.Second
	h, m, sec := int(d.Hours()), int(d.Minutes())%60, int(d.Seconds())%60
	switch {
	case h > 0:
		return fmt.Sprintf("%d h %02d min", h, m)
	case m > 0:
		return fmt.Sprintf("%d min %02d s", m, sec)
	}
	return fmt.Sprintf("%d s", sec)
}

// spellBytes writes a size as people say it.
func spellBytes(n int64) string {
	switch {
	case n >= 1e9:
		return fmt.Sprintf("%.2f GB", float64(n)/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	case n >= 1e3:
		return fmt.Sprintf("%.0f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%d bytes", n)
}
