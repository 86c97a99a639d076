// Package analyze reads a G-code file once, in bounded memory, and says what it
// will do: how long it takes, what it draws from the spool, its layers, its
// extents, its temperatures, and what speaks against printing it.
package analyze

// Result is what one pass over a file finds. Lengths are millimetres, times
// seconds, temperatures degrees Celsius, line numbers count from 1.
type Result struct {
	SHA256 string
	Bytes  int64
	Lines  int64

	TimeS   float64 // MotionS + HeatS + constants for homing and levelling
	MotionS float64 // moves and dwells alone
	HeatS   float64

	Tools []Tool // by tool number; one entry for tool 0 when the file names none

	Layers       []Layer
	HeightMM     float64 // top of the highest extruded layer
	FirstLayerMM float64 // thickness of the first layer
	LayerMM      float64 // the thickness that most layers have

	Extruded Box // where material is laid, prime lines apart where they can be told
	Reach    Box // everywhere the nozzle goes, homing apart

	// Outline is what is extruded as seen from the front: the least and greatest
	// X in mm in each of up to 64 height steps of equal thickness, from the plate up.
	Outline [][2]float64

	Views *Views // nil unless asked for

	Peaks  Peaks
	Bead   Bead
	Nozzle Nozzle

	Declared Declared
	Material string // as declared in comments, upper case; empty when not declared
	Temps    Temps
	Features []string // words: "arcs", "firmware-retraction", "spiral", "absolute-e", …

	Findings []Finding
}

// Tool is what one tool draws from its spool.
type Tool struct {
	FilamentMM float64 // net, the high-water mark of E: a retraction and its return count once
	VolumeMM3  float64
	MassG      float64 // zero when the material's density is not known
}

// Layer is one layer as the geometry shows it.
type Layer struct {
	TopMM       float64
	ThicknessMM float64
	Offset      int64 // byte offset of the first line that belongs to it
	EndOffset   int64 // byte offset behind the last line that extrudes in it
	Line        int64 // first line
	EndLine     int64 // last line that extrudes in it
	StartS      float64
	EndS        float64 // seconds from the start of the file's motion to the end of EndLine, heating included
	FilamentMM  float64 // drawn in this layer, all tools
	Box         Box
	Start       State // before the line at Offset
}

// Box is an axis-parallel box in machine coordinates; Empty before anything was added.
type Box struct {
	Min, Max [3]float64
	Empty    bool
}

// Bead is the width of the extruded lines, from E, length and layer thickness.
type Bead struct{ TypicalMM, NarrowestMM, WidestMM float64 }

// Nozzle is the nozzle that the file was sliced for.
type Nozzle struct {
	InferredMM []float64 // every diameter consistent with the bead, most likely first
	DeclaredMM float64   // from comments, 0 when not declared
}

// Peaks are the greatest demands of the file as it commands them, each with the
// line that first makes it; the machine's own limits may hold it to less.
type Peaks struct {
	FlowMM3s  float64 // molten volume per second, in lines of 1 mm and more
	FlowLine  int64
	FeedMMs   float64
	FeedLine  int64
	AccelMMs2 float64 // of M204 and M201; 0 when the file sets none
	AccelLine int64
	// FirstLayerMM2 is the area that the first layer covers, prime lines apart.
	FirstLayerMM2 float64
}

// Declared is what else comments claim; 0 where they do not.
type Declared struct {
	LayerMM    float64
	TimeS      float64
	FilamentMM float64
}

// Temps are the temperatures that the file asks for; 0 where it asks for none.
type Temps struct {
	FirstNozzleC, FirstBedC float64
	MaxNozzleC, MaxBedC     float64
	MaxChamberC             float64
}

// Severity says what a finding does to the file's chance of being taken.
type Severity string

const (
	Warn   Severity = "warning" // told, not in the way
	Refuse Severity = "refusal" // the file is not taken at add
)

// Finding is one thing that a person should know about a file.
type Finding struct {
	Code     string // stable, kebab-case, e.g. "beyond-build-volume"
	Severity Severity
	Line     int64 // 1-based, 0 when it concerns the whole file
	Column   int   // 1-based byte column, 0 when it concerns the whole line
	Excerpt  string
	Count    int64  // how many lines it concerns; the place is that of the first
	Text     string // what is wrong, with numbers, and what to do
}
