package queue

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Priority says which job goes before another, before anything else is asked.
// The empty priority of a part or a job is that of its build.
type Priority string

const (
	PriorityFirst  Priority = "first"
	PriorityNormal Priority = "normal"
	PriorityLater  Priority = "later"
)

// Rank orders priorities: smaller goes first.
func (p Priority) Rank() int {
	switch p {
	case PriorityFirst:
		return 0
	case PriorityLater:
		return 2
	}
	return 1
}

// ParsePriority reads 'first', 'normal' or 'later' in any case; the error names
// what was read and wraps ErrInvalid.
func ParsePriority(s string) (Priority, error) {
	switch p := Priority(strings.ToLower(strings.TrimSpace(s))); p {
	case PriorityFirst, PriorityNormal, PriorityLater:
		return p, nil
	}
	return "", fmt.Errorf("'%s' is no priority; there are first, normal and later: %w", s, ErrInvalid)
}

// LooseBuild is the ID of the build that always exists and has no name: what
// was added without a build belongs to it.
const LooseBuild int64 = 1

// Build is the big thing being made.
type Build struct {
	ID        int64
	Name      string // empty: LooseBuild
	Priority  Priority
	NotBefore time.Time // nothing of it starts before; zero: at once
	Due       time.Time // zero: no date
	Note      string
	Columns   []string // headings of the person's own list, in their order
	AddedAt   time.Time
}

// Assembly is a named group of parts of a build. Parts that belong to none are
// in the assembly without a name.
type Assembly struct {
	ID      int64
	BuildID int64
	Name    string
	Due     time.Time // zero: as the build
}

// Part is one piece of a build, wanted a number of times.
type Part struct {
	ID         int64
	BuildID    int64
	AssemblyID int64
	Assembly   string
	Name       string // unique in its assembly
	Wanted     int    // whole pieces
	// Counted: nobody has said how many are wanted; Wanted is what was added, less
	// what was cancelled.
	Counted   bool
	Priority  Priority // empty: as the build
	NotBefore time.Time
	Due       time.Time
	OnlyOn    []string // printers on which alone it is made; empty: any
	// Hours and Grams are what a person expects of one piece; 0: not said. They
	// count until a file says better.
	Hours float64
	Grams float64
	// MirrorOf is the other part of a mirrored pair, 0 when there is none. The
	// pair names each other: neither is the original.
	MirrorOf int64
	Note     string
}

// Way is one way of making a part: for one nozzle and layer height, in one or
// more sections. Whole is one section; two halves are two, with a seam to glue.
// A piece made this way is one good print of each section.
type Way struct {
	ID       int64
	PartID   int64
	Name     string   // unique for its part; empty when there is only one way
	Sections []string // at least one; names of the sections, [""] for a whole piece
	Seam     string   // what is to be joined and how, in the person's words; empty: nothing
	NozzleMM float64  // 0: not said; each print says its own
	LayerMM  float64  // 0: not said
	Note     string
	Extra    map[string]string // what the person's own list says beside, by heading
}

// Print is one file as it is to be printed, and what one print of it yields: a
// section of a way, a whole piece, or a plate of many. It never changes; another
// material or other counts are another print.
type Print struct {
	ID         int64
	File       *File // never nil, never changed
	FileName   string
	Kind       string // ByHand: a person makes it, with or without a file
	NozzleMM   float64
	Material   string // upper case
	Colour     string // empty: it does not matter; lower case
	Surface    string // empty: by material
	ClearsSelf bool
	Yields     []Yield // at least one; shared, never changed
}

// Yield is how many sections of a part one print makes.
type Yield struct {
	PartID   int64
	WayID    int64
	Section  int // index in Way.Sections
	Count    int // above 0
	Part     string
	Assembly string
	Way      string
	SectionN string // the section's name; empty for a whole piece
}

// ParseYields reads what one print makes, as 'rib=4, foot=2': the names of parts
// with counts. A name may hold commas and blanks, 'Rib, left=4, foot=2'. The
// error says which part was not understood and wraps ErrInvalid.
func ParseYields(text string) ([]Yield, error) {
	var out []Yield
	name := ""
	for piece := range strings.SplitSeq(text, ",") {
		if name != "" {
			name += ","
		}
		name += piece
		i := strings.LastIndex(name, "=")
		if i < 0 {
			continue // the comma belongs to the name
		}
		part := strings.TrimSpace(name[:i])
		n, err := strconv.Atoi(strings.TrimSpace(name[i+1:]))
		if part == "" || err != nil || n < 1 || n > 1000 {
			return nil, fmt.Errorf("'%s' in '%s': wanted is a part's name, '=' and how many of it one print makes, from 1 to 1000, such as 'rib=4, foot=2': %w", strings.TrimSpace(name), text, ErrInvalid)
		}
		for _, y := range out {
			if strings.EqualFold(y.Part, part) {
				return nil, fmt.Errorf("'%s' names %s twice: %w", text, part, ErrInvalid)
			}
		}
		out = append(out, Yield{Part: part, Count: n})
		name = ""
	}
	if strings.TrimSpace(name) != "" || len(out) == 0 {
		return nil, fmt.Errorf("'%s' in '%s' has no count; write for example 'rib=4, foot=2': %w", strings.TrimSpace(name), text, ErrInvalid)
	}
	return out, nil
}

// ByHand is the kind of printers without a link: a resin printer, a borrowed
// one, somebody else's workshop. A person starts and ends their jobs.
const ByHand = "by-hand"

// PieceState is where one piece, or one section of a piece, stands.
type PieceState string

const (
	// PieceOpen: a run makes it, or it lies on a plate uncounted. Exits: PieceGood
	// or PieceFailed by a person's word; PieceFailed when the run did not finish.
	// When the daemon dies here the run is interrupted, and it has failed.
	PieceOpen PieceState = "open"
	// PieceGood: a person found it good. Exit: PieceReopened by a person.
	PieceGood PieceState = "good"
	// PieceFailed: it did not become a piece. No exit; another takes its number.
	PieceFailed PieceState = "failed"
	// PieceReopened: it was good, and failed a later look, such as a dry fit. No
	// exit; its part wants one more, and another piece takes its number.
	PieceReopened PieceState = "reopened"
)

// Piece is one thing that lay, or lies, on a plate. Pieces are never deleted.
type Piece struct {
	ID      int64
	PartID  int64
	WayID   int64
	Section int
	RunID   int64
	JobID   int64
	Place   int // on its plate, from 1, in the order in which they are listed
	// Number is what is written on it. A number is held by one piece at a time,
	// and by each of its sections; above Wanted it is a spare.
	Number  int
	State   PieceState
	Changed time.Time
	Note    string
	Label   Label
}

// Label is what a person writes on a piece.
type Label struct {
	Part     string `json:"part"`
	Section  string `json:"section,omitempty"` // of a piece to be joined
	Number   int    `json:"number"`
	Of       int    `json:"of"` // wanted
	Assembly string `json:"assembly,omitempty"`
	Build    string `json:"build,omitempty"`
}

// Lines are the label's lines, the most important first.
func (l Label) Lines() []string {
	number := fmt.Sprintf("%d of %d", l.Number, l.Of)
	if l.Number > l.Of {
		number = fmt.Sprintf("%d (spare, %d wanted)", l.Number, l.Of)
	}
	lines := []string{l.Part, number}
	if l.Section != "" {
		lines = []string{l.Part, l.Section, number}
	}
	if l.Assembly != "" {
		lines = append(lines, l.Assembly)
	}
	return lines
}

// String is the label in one line.
func (l Label) String() string {
	lines := l.Lines()
	if l.Assembly != "" {
		return strings.Join(lines[:len(lines)-1], ", ") + " (" + l.Assembly + ")"
	}
	return strings.Join(lines, ", ")
}

// Goes compares two jobs by which starts first on a printer that suits both: by
// priority, then by the order that a person gave, then what has a date before
// what has none and the earlier date first, then the longer print, then the one
// that was added first. It is negative when a goes before b.
func Goes(a, b *Job) int {
	if d := a.Priority.Rank() - b.Priority.Rank(); d != 0 {
		return d
	}
	if a.Order != b.Order {
		switch {
		case a.Order == 0:
			return 1
		case b.Order == 0:
			return -1
		}
		return a.Order - b.Order
	}
	if !a.Due.Equal(b.Due) {
		switch {
		case a.Due.IsZero():
			return 1
		case b.Due.IsZero():
			return -1
		}
		return a.Due.Compare(b.Due)
	}
	if a.File.EstimateS != b.File.EstimateS {
		if a.File.EstimateS > b.File.EstimateS {
			return -1
		}
		return 1
	}
	switch {
	case a.ID < b.ID:
		return -1
	case a.ID > b.ID:
		return 1
	}
	return 0
}
