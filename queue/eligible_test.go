package queue

import (
	"strings"
	"testing"
	"time"
)

// An evening in the weeks before the winter parade: Tuesday, 18:00.
var evening = time.Date(2026, 11, 24, 18, 0, 0, 0, time.UTC)

// The case that everything below changes one thing of: a wing rib of 120 × 80 ×
// 40 mm in PLA for a 0.4 mm nozzle, and Bittern, which could take it at once.
func suitable() (Job, Machine, House) {
	f := &File{EstimateS: 2 * 3600, MassG: 60, HeightMM: 40, MinMM: [3]float64{10, 10, 0}, MaxMM: [3]float64{130, 90, 40}, NozzleC: 210, BedC: 60}
	j := Job{ID: 7, State: Queued, File: f, Part: "wing-rib", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}
	m := Machine{Kind: "fen", VolumeMM: [3]float64{300, 250, 220}, MaxNozzleC: 260, MaxBedC: 90, Phase: "ready", PhaseWhy: "ready"}
	m.Name, m.NozzleMM, m.Spool.Material, m.Plate = "Bittern", 0.4, "PLA", Plate{State: PlateClear, Surface: Textured}
	return j, m, House{Now: evening, Answered: true}
}

func TestEligible(t *testing.T) {
	g := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name   string
		change func(*Job, *Machine, *House)
		want   string // "code: text => remedy", one a line
	}{
		{"suits", func(j *Job, m *Machine, h *House) {}, ""},

		// kind, size, heat: what no hand changes
		{"kind", func(j *Job, m *Machine, h *House) { m.Kind = "reed" }, "kind: sliced for kind fen, this is reed => slice it for reed"},
		{"too long in X", func(j *Job, m *Machine, h *House) { j.File.MinMM[0], j.File.MaxMM[0] = 0, 312 }, "too-long: 312 mm long, the bed takes 300 => a sliced file cannot be turned: slice it anew, turned or in two pieces"},
		{"too long in Y", func(j *Job, m *Machine, h *House) { j.File.MinMM[1], j.File.MaxMM[1] = 2, 263.42 }, "too-long: 261.42 mm long, the bed takes 250 => a sliced file cannot be turned: slice it anew, turned or in two pieces"},
		{"too long both ways", func(j *Job, m *Machine, h *House) {
			j.File.MinMM, j.File.MaxMM = [3]float64{0, 0, 0}, [3]float64{400, 350, 40}
		},
			"too-long: 400 mm long, the bed takes 300 => a sliced file cannot be turned: slice it anew, turned or in two pieces\n" +
				"too-long: 350 mm long, the bed takes 250 => a sliced file cannot be turned: slice it anew, turned or in two pieces"},
		{"as long as the bed", func(j *Job, m *Machine, h *House) { j.File.MinMM[0], j.File.MaxMM[0] = 0, 300 }, ""},
		{"longer by rounding", func(j *Job, m *Machine, h *House) { j.File.MinMM[0], j.File.MaxMM[0] = 0, 300.04 }, ""},
		{"longer than rounding", func(j *Job, m *Machine, h *House) { j.File.MinMM[0], j.File.MaxMM[0] = 0, 300.1 }, "too-long: 300.1 mm long, the bed takes 300 => a sliced file cannot be turned: slice it anew, turned or in two pieces"},
		{"off the bed to the right", func(j *Job, m *Machine, h *House) { j.File.MinMM[0], j.File.MaxMM[0] = 200, 310 }, "off-the-bed: lies from 200 to 310 mm along X, the bed from 0 to 300 => a sliced file cannot be moved: slice it for this bed"},
		{"off the bed in front", func(j *Job, m *Machine, h *House) { j.File.MinMM[1] = -12.5 }, "off-the-bed: lies from -12.5 to 90 mm along Y, the bed from 0 to 250 => a sliced file cannot be moved: slice it for this bed"},
		{"off the bed at a corner", func(j *Job, m *Machine, h *House) { j.File.MinMM[0], j.File.MinMM[1] = -5, -5 }, "off-the-bed: lies from -5 to 130 mm along X, the bed from 0 to 300 => a sliced file cannot be moved: slice it for this bed"},
		{"volume not known", func(j *Job, m *Machine, h *House) {
			m.VolumeMM = [3]float64{}
			j.File.MaxMM, j.File.HeightMM = [3]float64{900, 900, 900}, 900
		}, ""},
		{"too tall", func(j *Job, m *Machine, h *House) { j.File.HeightMM = 231.2 }, "too-tall: 231.2 mm tall, this printer reaches 220 => slice it anew, lying or in two pieces"},
		{"as tall as it reaches", func(j *Job, m *Machine, h *House) { j.File.HeightMM = 220 }, ""},
		{"nozzle too hot", func(j *Job, m *Machine, h *House) { j.File.NozzleC = 285 }, "nozzle-too-hot: wants the nozzle at 285 °C, the limit here is 260 => slice it cooler"},
		{"nozzle at the limit", func(j *Job, m *Machine, h *House) { j.File.NozzleC = 260 }, ""},
		{"bed too hot", func(j *Job, m *Machine, h *House) { j.File.BedC = 100 }, "bed-too-hot: wants the bed at 100 °C, the limit here is 90 => slice it cooler"},
		{"no limit known", func(j *Job, m *Machine, h *House) {
			m.MaxBedC, m.MaxNozzleC, j.File.BedC, j.File.NozzleC = 0, 0, 140, 400
		}, ""},

		// there, and free to be commanded
		{"out of service", func(j *Job, m *Machine, h *House) { m.OutOfService = "the hotend leaks" }, "out-of-service: out of service: the hotend leaks => put Bittern back in service"},
		{"lent", func(j *Job, m *Machine, h *House) {
			m.Lent, m.Phase, m.PhaseWhy = true, "lent", "nothing is sent to it until it is taken back"
		}, "lent: lent: nothing is sent to it until it is taken back => take Bittern back"},
		{"lent, the link not told yet", func(j *Job, m *Machine, h *House) { m.Lent, m.PhaseWhy = true, "" }, "lent: lent => take Bittern back"},
		{"found in other hands", func(j *Job, m *Machine, h *House) {
			m.Phase, m.PhaseWhy = "lent", "somebody else drives it (target of 200 °C)."
		}, "lent: lent: somebody else drives it (target of 200 °C) => take Bittern back"},
		{"absent", func(j *Job, m *Machine, h *House) { m.Phase, m.PhaseWhy = "absent", "the port is not there" }, "absent: no link to Bittern: the port is not there => look at its cable and its power"},
		{"faulted", func(j *Job, m *Machine, h *House) {
			m.Phase, m.PhaseWhy = "faulted", "the firmware halted: heating failed"
		}, "faulted: faulted: the firmware halted: heating failed => look at Bittern and clear the fault"},
		{"settling", func(j *Job, m *Machine, h *House) { m.Phase, m.PhaseWhy = "settling", "asking what it is" }, "settling: settling: asking what it is => "},
		{"cooling, and cleared early", func(j *Job, m *Machine, h *House) {
			m.Phase, m.PhaseWhy = "cooling", "B is at 58 °C, below 45 °C is wanted"
		}, ""},
		{"prints something of no job", func(j *Job, m *Machine, h *House) { m.Phase = "printing" }, "busy: busy: printing => "},

		// what hands can change
		{"nozzle", func(j *Job, m *Machine, h *House) { j.NozzleMM = 0.8 }, "nozzle: needs 0.8 mm nozzle, 0.4 is fitted => fit the 0.8 mm nozzle on Bittern"},
		{"fine nozzle", func(j *Job, m *Machine, h *House) { j.NozzleMM = 0.25; m.NozzleMM = 0.6 }, "nozzle: needs 0.25 mm nozzle, 0.6 is fitted => fit the 0.25 mm nozzle on Bittern"},
		{"nozzle unknown", func(j *Job, m *Machine, h *House) { m.NozzleMM = 0 }, "nozzle: needs 0.4 mm nozzle, nobody has said which is fitted => say which nozzle is fitted on Bittern"},
		{"material", func(j *Job, m *Machine, h *House) { j.Material = "PETG" }, "material: needs PETG, PLA is loaded => load PETG on Bittern"},
		{"nothing loaded", func(j *Job, m *Machine, h *House) { m.Spool = Spool{} }, "material: needs PLA, nothing is loaded => load PLA on Bittern"},
		{"spool too light", func(j *Job, m *Machine, h *House) { m.Spool.Grams = g(41.7) }, "spool: needs 63 g with a margin, 41 g are left on the spool => load a fuller spool of PLA on Bittern"},
		{"spool without its margin", func(j *Job, m *Machine, h *House) { m.Spool.Grams = g(62.9) }, "spool: needs 63 g with a margin, 62 g are left on the spool => load a fuller spool of PLA on Bittern"},
		{"spool that is just enough", func(j *Job, m *Machine, h *House) { m.Spool.Grams = g(63.1) }, ""},
		{"empty spool", func(j *Job, m *Machine, h *House) { m.Spool.Grams = g(0) }, "spool: needs 63 g with a margin, 0 g are left on the spool => load a fuller spool of PLA on Bittern"},
		{"PETG on smooth", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "PETG", "PETG", Smooth
		}, "surface: PETG fuses to smooth sheets, and smooth is fitted => fit a textured or coated sheet on Bittern"},
		{"PETG on glass", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "PETG", "PETG", Glass
		}, "surface: PETG wants a textured or coated sheet, glass is fitted => fit a textured or coated sheet on Bittern"},
		{"PETG on textured", func(j *Job, m *Machine, h *House) { j.Material, m.Spool.Material = "PETG", "PETG" }, ""},
		{"PP on textured", func(j *Job, m *Machine, h *House) { j.Material, m.Spool.Material = "PP", "PP" }, "surface: PP wants a coated sheet, textured is fitted => fit a coated sheet on Bittern"},
		{"TPU on smooth", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "TPU", "TPU", Smooth
		}, "surface: TPU fuses to smooth sheets, and smooth is fitted => fit a textured or coated sheet on Bittern"},
		{"PVA on textured", func(j *Job, m *Machine, h *House) { j.Material, m.Spool.Material = "PVA", "PVA" }, "surface: PVA wants a smooth, coated or glass sheet, textured is fitted => fit a smooth, coated or glass sheet on Bittern"},
		{"PLA on smooth", func(j *Job, m *Machine, h *House) { m.Plate.Surface = Smooth }, ""},
		{"a sheet of the owner's own word", func(j *Job, m *Machine, h *House) { m.Plate.Surface = "slate" }, ""},
		{"a material the table does not know", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "CORK", "CORK", Smooth
		}, ""},
		{"a material the table does not know, sheet unknown", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "CORK", "CORK", ""
		}, ""},
		{"sheet unknown", func(j *Job, m *Machine, h *House) { m.Plate.Surface = "" }, "surface: nobody has said which sheet is fitted => say which sheet lies on Bittern"},
		{"a sheet asked for", func(j *Job, m *Machine, h *House) { j.Surface = Smooth }, "surface: wants a smooth sheet, textured is fitted => fit a smooth sheet on Bittern"},
		{"a sheet asked for against the table", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface, j.Surface = "PETG", "PETG", Smooth, Smooth
		}, ""},

		// the plate
		{"plate occupied", func(j *Job, m *Machine, h *House) { m.Plate.State, m.Plate.Why = PlateOccupied, "leg-2 lies on it" }, "plate: the plate is not clear: leg-2 lies on it => clear Bittern and say so"},
		{"plate off", func(j *Job, m *Machine, h *House) { m.Plate.State = PlateOff }, "plate: no sheet is seated on the plate => fit the sheet on Bittern and say that it is clear"},
		{"plate off, no sheet known", func(j *Job, m *Machine, h *House) { m.Plate.State, m.Plate.Surface = PlateOff, "" }, "plate: no sheet is seated on the plate => fit the sheet on Bittern and say that it is clear"},
		{"plate unknown", func(j *Job, m *Machine, h *House) { m.Plate.State, m.Plate.Why = PlateUnknown, "it is new here" }, "plate: nobody has said whether the plate is clear: it is new here => look at Bittern and say that it is clear"},
		{"plate unknown without a reason", func(j *Job, m *Machine, h *House) { m.Plate.State = PlateUnknown }, "plate: nobody has said whether the plate is clear => look at Bittern and say that it is clear"},
		{"occupied and cooling", func(j *Job, m *Machine, h *House) {
			m.Plate.State, m.Plate.Why, m.Phase, m.PhaseWhy = PlateOccupied, "leg-2 lies on it", "cooling", ""
		}, "plate: the plate is not clear: leg-2 lies on it => clear Bittern and say so\ncooling: still cooling => "},
		{"busy", func(j *Job, m *Machine, h *House) {
			m.Plate.State, m.Phase, m.BusyPart, m.BusyUntil = PlateOccupied, "printing", "leg-2", evening.Add(92*time.Minute)
		}, "busy: busy with leg-2 until 19:32 => "},
		{"busy into tomorrow", func(j *Job, m *Machine, h *House) {
			m.Plate.State, m.Phase, m.BusyPart, m.BusyUntil = PlateOccupied, "printing", "leg-2", evening.Add(30*time.Hour)
		}, "busy: busy with leg-2 until Thu 00:00 => "},
		{"busy for more than a week", func(j *Job, m *Machine, h *House) {
			m.Plate.State, m.Phase, m.BusyPart, m.BusyUntil = PlateOccupied, "printing", "leg-2", evening.Add(200*time.Hour)
		}, "busy: busy with leg-2 until Thu 3 Dec 02:00 => "},
		{"busy, no end known", func(j *Job, m *Machine, h *House) {
			m.Plate.State, m.Phase, m.BusyPart = PlateOccupied, "warming", "leg-2"
		}, "busy: busy with leg-2 => "},
		{"clearing itself", func(j *Job, m *Machine, h *House) {
			m.Plate.State, m.Phase, m.ClearingNow = PlateOccupied, "printing", true
		}, "busy: its clearing routine runs => "},
		{"outcome not on the disk", func(j *Job, m *Machine, h *House) { m.Plate.State, m.RecordPending = PlateOccupied, true }, "record: the end of its last run is not on the disk yet => look at the space and the health of the data folder's disk"},
		{"hands", func(j *Job, m *Machine, h *House) { m.StartsAt = evening.Add(40 * time.Second) }, "hands: hands were at the machine; nothing starts before 18:00:40 => "},
		{"hands long ago", func(j *Job, m *Machine, h *House) { m.StartsAt = evening }, ""},

		// the clock
		{"hours unanswered", func(j *Job, m *Machine, h *House) { h.Answered = false }, "hours-unanswered: nobody has said yet when the house is cold and when somebody is home => answer both, 'none' included"},
		{"cold hours", func(j *Job, m *Machine, h *House) {
			h.ColdNow, h.ColdEnds = true, time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
		}, "cold-hours: cold hours until Wed 07:00 => "},
		{"always cold", func(j *Job, m *Machine, h *House) { h.ColdNow = true }, "cold-hours: cold hours without an end => change the cold hours"},
		{"would run into cold hours", func(j *Job, m *Machine, h *House) {
			h.NextCold, j.File.EstimateS = evening.Add(7*time.Hour), 8*3600
		}, "cold-hours: would run until about Wed 02:00, cold hours begin at Wed 01:00 => change the cold hours, or make the piece shorter"},
		{"ends as cold hours begin", func(j *Job, m *Machine, h *House) {
			h.NextCold, j.File.EstimateS = evening.Add(7*time.Hour), 7*3600
		}, ""},

		// watts, as fleet/power words them
		{"no watts", func(j *Job, m *Machine, h *House) {
			m.PowerNo = "heating takes 300 W, and circuit left has 100 of 470 W left"
		}, "power: heating takes 300 W, and circuit left has 100 of 470 W left => "},
		{"never enough watts", func(j *Job, m *Machine, h *House) { m.PowerNo, m.PowerNever = "heating takes 3000 W", true }, "power: heating takes 3000 W => put Bittern on another circuit"},

		// beds that do not start at 0, 0
		{"a bed with its origin in the middle", func(j *Job, m *Machine, h *House) {
			m.OriginMM = [2]float64{150, 125}
			j.File.MinMM, j.File.MaxMM = [3]float64{-60, -40, 0}, [3]float64{60, 40, 40}
		}, ""},
		{"sliced for a corner, the origin in the middle", func(j *Job, m *Machine, h *House) {
			m.OriginMM = [2]float64{150, 125}
			j.File.MinMM[0], j.File.MaxMM[0] = 90, 210
		}, "off-the-bed: lies from 90 to 210 mm along X, the bed from -150 to 150 => a sliced file cannot be moved: slice it for this bed"},
		{"sliced for the middle, the origin in a corner", func(j *Job, m *Machine, h *House) {
			j.File.MinMM, j.File.MaxMM = [3]float64{-60, -40, 0}, [3]float64{60, 40, 40}
		}, "off-the-bed: lies from -60 to 60 mm along X, the bed from 0 to 300 => a sliced file cannot be moved: slice it for this bed"},
		{"a bed that starts beside its end stops", func(j *Job, m *Machine, h *House) {
			m.OriginMM = [2]float64{-5, 3}
			j.File.MinMM[0] = 2
		}, "off-the-bed: lies from 2 to 130 mm along X, the bed from 5 to 305 => a sliced file cannot be moved: slice it for this bed"},

		// colour, where it matters
		{"colour", func(j *Job, m *Machine, h *House) { j.Colour, m.Spool.Colour = "amber", "slate" }, "colour: needs amber PLA, slate is loaded => load amber PLA on Bittern"},
		{"colour unknown", func(j *Job, m *Machine, h *House) { j.Colour = "amber" }, "colour: needs amber PLA, nobody has said which colour is loaded => load amber PLA on Bittern"},
		{"the same colour, written otherwise", func(j *Job, m *Machine, h *House) { j.Colour, m.Spool.Colour = "amber", "Amber" }, ""},
		{"colour that does not matter", func(j *Job, m *Machine, h *House) { m.Spool.Colour = "slate" }, ""},
		{"another material is said before another colour", func(j *Job, m *Machine, h *House) {
			j.Colour, j.Material, m.Spool.Colour = "amber", "PETG", "slate"
		}, "material: needs PETG, PLA is loaded => load PETG on Bittern"},

		// the owner's own table of surfaces
		{"the owner allows PETG on smooth", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "PETG", "PETG", Smooth
			h.Surfaces = Surfaces{"PETG": {Smooth, Textured}}
		}, ""},
		{"the owner wants slate for PLA", func(j *Job, m *Machine, h *House) {
			h.Surfaces = Surfaces{"PLA": {"slate"}}
		}, "surface: PLA wants a slate sheet, textured is fitted => fit a slate sheet on Bittern"},
		{"slate is for PLA, and PETG is another", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "PETG", "PETG", "slate"
			h.Surfaces = Surfaces{"PLA": {"slate"}}
		}, "surface: PETG wants a textured or coated sheet, slate is fitted => fit a textured or coated sheet on Bittern"},
		{"the owner does not mind", func(j *Job, m *Machine, h *House) {
			j.Material, m.Spool.Material, m.Plate.Surface = "PETG", "PETG", Smooth
			h.Surfaces = Surfaces{"PETG": {}}
		}, ""},

		// what a person has said of the job
		{"only elsewhere", func(j *Job, m *Machine, h *House) { j.OnlyOn = []string{"Merel"} }, "only-on: is to run only on Merel => undercroft only-on 7 Bittern"},
		{"only on two others", func(j *Job, m *Machine, h *House) { j.OnlyOn = []string{"Merel", "Old Crake"} }, "only-on: is to run only on Merel or Old Crake => undercroft only-on 7 Bittern"},
		{"only here", func(j *Job, m *Machine, h *House) { j.OnlyOn = []string{"Merel", "Bittern"} }, ""},
		{"not here", func(j *Job, m *Machine, h *House) { j.NotOn = []string{"Bittern"} }, "not-on: is not to run on Bittern => undercroft move 7 Bittern"},
		{"not elsewhere", func(j *Job, m *Machine, h *House) { j.NotOn = []string{"Merel"} }, ""},
		{"not before Friday", func(j *Job, m *Machine, h *House) { j.NotBefore = evening.Add(62 * time.Hour) }, "not-before: not before Fri 08:00 => change the date of its part or build"},
		{"from now on", func(j *Job, m *Machine, h *House) { j.NotBefore = evening }, ""},
		{"its file is gone", func(j *Job, m *Machine, h *House) { j.FileGone, j.FileName = true, "wing-rib.gcode" }, "file-gone: the file wing-rib.gcode is gone from the data folder => add wing-rib.gcode again"},

		// printers without a link
		{"by hand", func(j *Job, m *Machine, h *House) { m.Kind = ByHand }, "by-hand: a person starts it here => undercroft begin 7 --on Bittern"},
		{"by hand, whatever is fitted and whatever the hour", func(j *Job, m *Machine, h *House) {
			m.Kind, m.Name, m.NozzleMM, m.Plate.State, h.ColdNow = ByHand, "Resin in the shed", 0, PlateUnknown, true
		}, "by-hand: a person starts it here => undercroft begin 7 --on 'Resin in the shed'"},
		{"by hand and busy", func(j *Job, m *Machine, h *House) {
			m.Kind, m.BusyPart, m.Plate.JobID = ByHand, "eye lens", 5
		}, "busy: busy with eye lens => when it has ended: undercroft end 5"},
		{"by hand and out of service", func(j *Job, m *Machine, h *House) { m.Kind, m.OutOfService = ByHand, "the vat leaks" }, "out-of-service: out of service: the vat leaks => put Bittern back in service\nby-hand: a person starts it here => undercroft begin 7 --on Bittern"},
		{"made by hand, not on a printer with a link", func(j *Job, m *Machine, h *House) { j.Kind, j.NozzleMM = ByHand, 0.4 }, "kind: is made by hand, this is kind fen => "},

		// together, what lasts longest first
		{"everything at once", func(j *Job, m *Machine, h *House) {
			j.File.HeightMM, j.NozzleMM, j.Material, j.Surface = 300, 0.8, "PETG", Coated
			m.Kind, m.OutOfService, m.Phase, m.PhaseWhy = "reed", "a belt is worn", "absent", "the port is not there"
			m.Plate.State, m.Plate.Why, m.StartsAt = PlateOccupied, "leg-2 lies on it", evening.Add(time.Minute)
			m.PowerNo, h.ColdNow, h.ColdEnds = "the circuit is over its limit", true, evening.Add(time.Hour)
		}, "kind: sliced for kind fen, this is reed => slice it for reed\n" +
			"too-tall: 300 mm tall, this printer reaches 220 => slice it anew, lying or in two pieces\n" +
			"out-of-service: out of service: a belt is worn => put Bittern back in service\n" +
			"absent: no link to Bittern: the port is not there => look at its cable and its power\n" +
			"nozzle: needs 0.8 mm nozzle, 0.4 is fitted => fit the 0.8 mm nozzle on Bittern\n" +
			"material: needs PETG, PLA is loaded => load PETG on Bittern\n" +
			"surface: wants a coated sheet, textured is fitted => fit a coated sheet on Bittern\n" +
			"plate: the plate is not clear: leg-2 lies on it => clear Bittern and say so\n" +
			"hands: hands were at the machine; nothing starts before 18:01:00 => \n" +
			"cold-hours: cold hours until 19:00 => \n" +
			"power: the circuit is over its limit => "},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, m, h := suitable()
			c.change(&j, &m, &h)
			var got []string
			for _, o := range Eligible(&j, &m, &h) {
				got = append(got, string(o.Code)+": "+o.Text+" => "+o.Remedy)
			}
			if s := strings.Join(got, "\n"); s != c.want {
				t.Errorf("\n got %s\nwant %s", s, c.want)
			}
			if Suits(&j, &m, &h) != (c.want == "") || (Cost(&j, &m, &h) == 0) != (c.want == "") {
				t.Error("Suits, Cost and Eligible disagree")
			}
		})
	}
}

func TestSuitsAllocatesNothing(t *testing.T) {
	for _, change := range []func(*Job, *Machine, *House){
		func(*Job, *Machine, *House) {},
		func(j *Job, m *Machine, h *House) { j.NozzleMM = 0.8 },
		func(j *Job, m *Machine, h *House) { m.PowerNo = "no" },
	} {
		j, m, h := suitable()
		change(&j, &m, &h)
		if n := testing.AllocsPerRun(100, func() { Suits(&j, &m, &h); Cost(&j, &m, &h) }); n != 0 {
			t.Errorf("%v allocations", n)
		}
	}
}

func TestWhatTimeRemovesCostsLessThanHandsAndHandsLessThanAnotherFile(t *testing.T) {
	costs := func(change func(*Job, *Machine, *House)) int {
		j, m, h := suitable()
		change(&j, &m, &h)
		return Cost(&j, &m, &h)
	}
	order := []int{
		costs(func(*Job, *Machine, *House) {}),
		costs(func(j *Job, m *Machine, h *House) { m.PowerNo = "no" }),
		costs(func(j *Job, m *Machine, h *House) { h.ColdNow = true }),
		costs(func(j *Job, m *Machine, h *House) { j.NozzleMM = 0.8 }),
		costs(func(j *Job, m *Machine, h *House) { j.NozzleMM, j.Material = 0.8, "PETG" }),
		costs(func(j *Job, m *Machine, h *House) { m.Kind = "reed" }),
	}
	for i := 1; i < len(order); i++ {
		if order[i-1] >= order[i] {
			t.Errorf("costs %v do not rise", order)
		}
	}
	if order[0] != 0 {
		t.Errorf("a suitable printer costs %d", order[0])
	}
}

func TestOnlyTheTableMovesJobs(t *testing.T) {
	allowed := map[[2]JobState]bool{
		{Queued, OnHold}: true, {Queued, Running}: true, {Queued, Cancelled}: true,
		{OnHold, Queued}: true, {OnHold, Cancelled}: true,
		{Running, AwaitsYield}: true, {Running, NeedsDecision}: true, {Running, Cancelled}: true, {Running, Queued}: true, {Running, OnHold}: true,
		{AwaitsYield, Done}: true, {AwaitsYield, NeedsDecision}: true,
		{NeedsDecision, Queued}: true, {NeedsDecision, Cancelled}: true,
	}
	for _, a := range JobStates {
		for _, b := range JobStates {
			if CanMove(a, b) != allowed[[2]JobState{a, b}] {
				t.Errorf("%s → %s: %v", a, b, CanMove(a, b))
			}
		}
	}
}
