package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Printer is one printer as a scraper sees it. Lengths are millimetres here and
// metres in the metrics.
type Printer struct {
	Name        string
	Kind        string
	Firmware    string
	Phase       string
	Since       time.Time // of the phase
	PlateState  string
	WaitsPerson bool // it stands still until somebody comes
	OutOf       bool // out of service
	NozzleMM    float64
	SpoolG      float64
	SpoolEnds   bool // before the run does
	Warnings    int  // that its watch has raised and that stand
	Heaters     []Heater
	HeatAt      time.Time // zero before the first report
	Run         *Run
	Link        Link
}

// Heater is one heater's last report.
type Heater struct {
	Name    string
	ActualC float64
	TargetC float64
	Duty    float64 // 0…1; negative when not reported
}

// Run is what a printer is making.
type Run struct {
	LayersDone  int
	Layers      int
	CompletedMM float64
	HeightMM    float64
	LeftS       float64
	EndsAt      time.Time
}

type fleet struct {
	o                                                Options
	info, phase, since, plate, person, outOf         *prometheus.Desc
	nozzle, spool, ends, warnings                    *prometheus.Desc
	actual, target, duty, heatAt                     *prometheus.Desc
	layersDone, layers, completed, height, left, end *prometheus.Desc
}

func newFleet(o Options) *fleet {
	return &fleet{
		o:          o,
		info:       desc("printer_info", "Facts about a printer; always 1.", "printer", "kind", "firmware"),
		phase:      desc("printer_phase", "1 for the phase that a printer is in, 0 for the others.", "printer", "phase"),
		since:      desc("printer_phase_start_timestamp_seconds", "When the phase began.", "printer"),
		plate:      desc("printer_plate_state", "1 for the state that the plate is in, 0 for the others.", "printer", "state"),
		person:     desc("printer_waits_for_person", "Whether a printer stands still until somebody comes.", "printer"),
		outOf:      desc("printer_out_of_service", "Whether a person took a printer out of service.", "printer"),
		nozzle:     desc("printer_nozzle_diameter_meters", "Diameter of the nozzle fitted, as a person said.", "printer"),
		spool:      desc("printer_spool_remaining_grams", "Filament left on the spool, by arithmetic from what a person said.", "printer"),
		ends:       desc("printer_spool_runs_out", "Whether the loaded reel ends before the running print does, as far as is known.", "printer"),
		warnings:   desc("printer_warnings", "Warnings about a printer that stand.", "printer"),
		actual:     desc("heater_temperature_celsius", "Temperature as the firmware last reported it.", "printer", "heater"),
		target:     desc("heater_target_celsius", "Target as the firmware last reported it; 0 is off.", "printer", "heater"),
		duty:       desc("heater_duty_ratio", "Share of full power as the firmware last reported it.", "printer", "heater"),
		heatAt:     desc("heater_report_timestamp_seconds", "When temperatures were last reported.", "printer"),
		layersDone: desc("run_completed_layers", "Layers of the running print that are certainly down.", "printer"),
		layers:     desc("run_layers", "Layers that the running print will have.", "printer"),
		completed:  desc("run_completed_height_meters", "Top of the last layer of the running print that is certainly down.", "printer"),
		height:     desc("run_height_meters", "Height that the running print will have.", "printer"),
		left:       desc("run_remaining_seconds", "Estimated time to the end of the running print.", "printer"),
		end:        desc("run_end_timestamp_seconds", "When the running print is expected to end, in house time.", "printer"),
	}
}

func (f *fleet) describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		f.info, f.phase, f.since, f.plate, f.person, f.outOf, f.nozzle, f.spool, f.ends, f.warnings,
		f.actual, f.target, f.duty, f.heatAt, f.layersDone, f.layers, f.completed, f.height, f.left, f.end,
	} {
		ch <- d
	}
}

func (f *fleet) collect(s Sample, out emit) {
	for _, p := range s.Printers {
		out.gauge(f.info, 1, p.Name, p.Kind, p.Firmware)
		out.oneOf(f.phase, f.o.Phases, p.Phase, p.Name)
		out.time(f.since, p.Since, p.Name)
		out.oneOf(f.plate, f.o.PlateStates, p.PlateState, p.Name)
		out.flag(f.person, p.WaitsPerson, p.Name)
		out.flag(f.outOf, p.OutOf, p.Name)
		if p.NozzleMM > 0 {
			out.gauge(f.nozzle, p.NozzleMM/1000, p.Name)
		}
		out.gauge(f.spool, p.SpoolG, p.Name)
		out.flag(f.ends, p.SpoolEnds, p.Name)
		out.gauge(f.warnings, float64(p.Warnings), p.Name)
		for _, h := range known(p.Heaters) {
			out.gauge(f.actual, h.ActualC, p.Name, h.Name)
			out.gauge(f.target, h.TargetC, p.Name, h.Name)
			if h.Duty >= 0 {
				out.gauge(f.duty, h.Duty, p.Name, h.Name)
			}
		}
		out.time(f.heatAt, p.HeatAt, p.Name)
		if r := p.Run; r != nil {
			out.gauge(f.layersDone, float64(r.LayersDone), p.Name)
			out.gauge(f.layers, float64(r.Layers), p.Name)
			out.gauge(f.completed, r.CompletedMM/1000, p.Name)
			out.gauge(f.height, r.HeightMM/1000, p.Name)
			out.gauge(f.left, r.LeftS, p.Name)
			out.time(f.end, r.EndsAt, p.Name)
		}
	}
}

// known drops what cannot be a heater: a garbled report must not make a new
// series each time, nor the same one twice.
func known(all []Heater) []Heater {
	var some []Heater
	seen := map[string]bool{}
	for _, h := range all {
		if len(some) < maxHeaters && heaterName(h.Name) && !seen[h.Name] {
			seen[h.Name] = true
			some = append(some, h)
		}
	}
	return some
}

const maxHeaters = 10 // of one printer: eight tools, bed, chamber

// heaterName: T with a digit or two, B, C, or another capital.
func heaterName(s string) bool {
	if len(s) < 1 || len(s) > 3 || s[0] < 'A' || s[0] > 'Z' {
		return false
	}
	for _, c := range s[1:] {
		if c < '0' || c > '9' {
			return false
		}
	}
	return true
}
