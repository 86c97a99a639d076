package intake

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"undercroft/queue"
	"undercroft/queue/store"
)

// Lists reads and writes the person's own lists of parts.
type Lists struct {
	Intake   *Intake
	Zone     *time.Location
	Printers map[string]bool // every printer of the house; true: worked by hand
}

// ListOptions say what to do with a list.
type ListOptions struct {
	Build    string // for lines that name none
	Assembly string // likewise
	TakeGood bool   // take the good lines although others are bad
	DryRun   bool   // only look
}

// ListReport is what became of a list.
type ListReport struct {
	Lines   int
	Taken   int
	Columns []Column
	Bad     []BadLine // in the order of the lines; nothing is taken when there are any, unless TakeGood
	Read    string    // how it was written
	Jobs    []queue.Job
}

// Column says what a column was taken for; Is is empty when it only comes out
// again.
type Column struct {
	Header string
	Is     string
}

// BadLine is a line that cannot be taken, with every reason.
type BadLine struct {
	Line int
	Text string
}

// listed is one good line.
type listed struct {
	line   int
	build  string
	byHand string // the printer without a link that makes it
	store.PartLine
}

// In reads a list and writes it into the builds that it names: parts are made,
// or changed where they are known;
// where a line does not say how many of a new part are wanted, it is one. What is made by hand, and has no job yet,
// gets its jobs. Nothing is taken while a line is bad, unless that is allowed.
// Errors wrap queue.ErrInvalid when the whole list cannot be read.
func (l *Lists) In(ctx context.Context, src io.Reader, o ListOptions) (ListReport, error) {
	var rep ListReport
	s, err := readSheet(src)
	if err != nil {
		return rep, err
	}
	at, err := index(s.head, colPart)
	if err != nil {
		return rep, err
	}
	rep.Read, rep.Bad, rep.Lines = s.how, s.bad, len(s.rows)+len(s.bad)
	for i, h := range s.head {
		c := Column{Header: h, Is: columnOf(h)}
		if k, ours := at[c.Is]; !ours || k != i {
			c.Is = ""
		}
		rep.Columns = append(rep.Columns, c)
	}
	good := l.lines(ctx, s, at, o, &rep)
	slices.SortStableFunc(rep.Bad, func(a, b BadLine) int { return a.Line - b.Line })
	if o.DryRun || len(rep.Bad) > 0 && !o.TakeGood || len(good) == 0 {
		return rep, nil
	}
	for _, build := range buildsOf(good) {
		var list []store.PartLine
		for _, g := range good {
			if strings.EqualFold(g.build, build) {
				list = append(list, g.PartLine)
			}
		}
		jobs, err := l.Intake.Store.PutParts(ctx, build, s.head, list)
		if err != nil {
			return rep, err
		}
		rep.Taken += len(list)
		rep.Jobs = append(rep.Jobs, jobs...)
		made, err := l.byHand(ctx, build, good)
		rep.Jobs = append(rep.Jobs, made...)
		if err != nil {
			return rep, err
		}
	}
	return rep, nil
}

// buildsOf lists the builds that lines name, in their order.
func buildsOf(good []listed) []string {
	var out []string
	for _, g := range good {
		if !slices.ContainsFunc(out, func(b string) bool { return strings.EqualFold(b, g.build) }) {
			out = append(out, g.build)
		}
	}
	return out
}

// lines reads the rows; what is wrong with one is noted.
func (l *Lists) lines(ctx context.Context, s *sheet, at map[string]int, o ListOptions, rep *ListReport) []listed {
	var good []listed
	seen := map[[6]string]int{}
	wanted := map[[3]string]int{}
	named := map[[2]string]bool{}
	for _, r := range s.rows {
		if i, ok := at[colPart]; ok && i < len(r.cells) {
			named[[2]string{strings.ToLower(cellOf(r, at, colBuild, o.Build)), strings.ToLower(r.cells[i])}] = true
		}
	}
	for _, r := range s.rows {
		var why []string
		g := l.line(r, at, s.head, o.Build, &why)
		if g.Assembly == "" {
			g.Assembly = o.Assembly
		}
		part := [3]string{strings.ToLower(g.build), strings.ToLower(g.Assembly), strings.ToLower(g.Part)}
		key := [6]string{part[0], part[1], part[2], strings.ToLower(g.Way), strings.ToLower(cellOf(r, at, colSection, "")), cellOf(r, at, colFile, "")}
		if first, twice := seen[key]; twice && g.Part != "" {
			why = append(why, fmt.Sprintf("line %d has the same part already; another way of making it needs a name in a column 'way'", first))
		}
		if g.Wanted != nil {
			if first, known := wanted[part]; known && first != *g.Wanted {
				why = append(why, fmt.Sprintf("%d are wanted, and another line of the same part says %d", *g.Wanted, first))
			}
			wanted[part] = *g.Wanted
		}
		if g.Mirror != "" && !named[[2]string{part[0], strings.ToLower(g.Mirror)}] {
			if _, err := l.Intake.Store.FindPart(ctx, g.build, "", g.Mirror); errors.Is(err, queue.ErrNotFound) {
				why = append(why, fmt.Sprintf("it is the mirror image of '%s', and no line and no part is called that", g.Mirror))
			}
		}
		seen[key] = r.line
		if len(why) > 0 {
			rep.Bad = append(rep.Bad, BadLine{r.line, strings.Join(why, "; ")})
			continue
		}
		good = append(good, g)
	}
	return good
}

func cellOf(r row, at map[string]int, column, otherwise string) string {
	if i, ok := at[column]; ok && i < len(r.cells) && r.cells[i] != "" {
		return r.cells[i]
	}
	return otherwise
}

// line reads one row and appends to why what is wrong with it.
func (l *Lists) line(r row, at map[string]int, head []string, build string, why *[]string) listed {
	bad := func(format string, args ...any) { *why = append(*why, fmt.Sprintf(format, args...)) }
	if len(r.cells) > len(head) {
		if extra := strings.TrimSpace(strings.Join(r.cells[len(head):], "")); extra != "" {
			bad("it has %d columns, the headings have %d: a text with the separator in it stands in quotation marks", len(r.cells), len(head))
		}
	}
	for i, c := range r.cells {
		if len(c) > maxCell {
			bad("column %d has more than %d bytes", i+1, maxCell)
			r.cells[i] = ""
		} else if strings.ContainsFunc(c, func(x rune) bool { return x < ' ' && x != '\n' && x != '\t' || x == 0x7f }) {
			bad("column %d has a control character", i+1)
		}
	}
	cell := func(column string) (string, bool) {
		i, ok := at[column]
		if !ok || i >= len(r.cells) {
			return "", false
		}
		return r.cells[i], true
	}
	g := listed{line: r.line, build: cellOf(r, at, colBuild, build)}
	g.Part, _ = cell(colPart)
	g.Assembly, _ = cell(colAssembly)
	g.Way, _ = cell(colWay)
	g.Mirror, _ = cell(colMirror)
	if g.Part == "" {
		bad("it names no part")
	}
	for what, v := range map[string]string{"part": g.Part, "assembly": g.Assembly, "way": g.Way, "mirror image": g.Mirror, "build": g.build} {
		if len(v) > maxName || strings.ContainsAny(v, "\n\t") {
			bad("the %s's name has more than %d bytes or more than one line", what, maxName)
		}
	}
	whole := func(column string, most int, to **int) {
		if text, ok := cell(column); ok && text != "" {
			if v, err := wholeOf(text, most); err != nil {
				bad("%s: %v", column, err)
			} else {
				*to = &v
			}
		}
	}
	whole(colWanted, 10000, &g.Wanted)
	if text, ok := cell(colPriority); ok && text != "" {
		if p, err := queue.ParsePriority(text); err != nil {
			bad("%s", queue.Words(err))
		} else {
			g.Priority = &p
		}
	}
	when := func(column string, end bool, to **time.Time) {
		if text, ok := cell(column); ok && text != "" {
			if t, err := queue.ParseDay(text, l.Zone, end); err != nil {
				bad("%s: %s", column, queue.Words(err))
			} else {
				*to = &t
			}
		}
	}
	when(colBefore, false, &g.NotBefore)
	when(colDue, true, &g.Due)
	measure := func(column string, read func(string) (float64, error), most float64, to **float64) {
		if text, ok := cell(column); ok && text != "" {
			switch v, err := read(text); {
			case err != nil:
				bad("%s: %v", column, err)
			case v < 0:
				bad("%s: %s is less than nothing", column, text)
			case v > most:
				bad("%s: %s is more than %g", column, text, most)
			default:
				*to = &v
			}
		}
	}
	measure(colHours, hoursOf, 1000, &g.Hours)
	measure(colGrams, func(s string) (float64, error) { return numberOf(s, "grams", "g") }, 100000, &g.Grams)
	measure(colNozzle, func(s string) (float64, error) { return numberOf(s, "mm") }, 3, &g.WayChange.NozzleMM)
	measure(colLayer, func(s string) (float64, error) { return numberOf(s, "mm") }, 2, &g.WayChange.LayerMM)
	if text, ok := cell(colSeam); ok {
		g.WayChange.Seam = &text
	}
	if text, ok := cell(colNote); ok {
		g.Note = &text
	}
	if text, ok := cell(colPrinters); ok {
		l.printers(text, &g, bad)
	}
	for i, h := range head {
		if i < len(r.cells) && r.cells[i] != "" && !written(columnOf(h)) {
			if g.WayChange.Extra == nil {
				g.WayChange.Extra = map[string]string{}
			}
			g.WayChange.Extra[h] = r.cells[i]
		}
	}
	return g
}

// printers reads which printers are to make a part: names as they stand in the
// configuration, with commas, semicolons, slashes, '+' or 'or' between.
func (l *Lists) printers(text string, g *listed, bad func(string, ...any)) {
	names := []string{}
	for _, name := range strings.FieldsFunc(strings.ReplaceAll(text, " or ", ","), func(r rune) bool { return strings.ContainsRune(",;/+", r) }) {
		name = strings.TrimSpace(name)
		if name == "" || strings.EqualFold(name, "any") {
			continue
		}
		found := ""
		for known := range l.Printers {
			if strings.EqualFold(known, name) {
				found = known
			}
		}
		if found == "" {
			known := make([]string, 0, len(l.Printers))
			for k := range l.Printers {
				known = append(known, k)
			}
			slices.Sort(known)
			bad("there is no printer '%s' here; there are %s", name, strings.Join(known, ", "))
			continue
		}
		if l.Printers[found] {
			g.byHand = found
		}
		names = append(names, found)
	}
	slices.Sort(names)
	g.OnlyOn = &names
}

// written says whether Out writes the column from the ledger; any other comes
// out as it came in.
func written(column string) bool {
	switch column {
	case colPart, colAssembly, colBuild, colWanted, colWay, colMirror, colPriority, colBefore, colDue, colPrinters, colHours, colGrams, colNozzle, colLayer, colSeam, colNote, colGood, colMissing:
		return true
	}
	return false
}

// byHand makes jobs of what is made by hand and has none yet.
func (l *Lists) byHand(ctx context.Context, build string, good []listed) ([]queue.Job, error) {
	b, err := l.Intake.Store.FindBuild(ctx, build)
	if err != nil {
		return nil, err
	}
	ledger, err := l.Intake.Store.Ledger(ctx, b.ID)
	if err != nil {
		return nil, err
	}
	missing := map[[2]string]queue.PartProgress{}
	for _, a := range ledger.Progress(time.Time{}).Assemblies {
		for _, p := range a.Parts {
			missing[[2]string{strings.ToLower(a.Assembly.Name), strings.ToLower(p.Part.Name)}] = p
		}
	}
	var out []queue.Job
	for _, g := range good {
		key := [2]string{strings.ToLower(g.Assembly), strings.ToLower(g.Part)}
		p := missing[key]
		if g.byHand == "" || !strings.EqualFold(g.build, build) || p.Missing == 0 {
			continue
		}
		p.Missing, missing[key] = min(p.Missing, maxCount), queue.PartProgress{}
		a, err := l.Intake.AddByHand(ctx, ByHand{Part: g.Part, Assembly: g.Assembly, Build: build, Way: g.Way, Count: p.Missing, Hours: p.Part.Hours, Grams: p.Part.Grams})
		if err != nil {
			return out, fmt.Errorf("line %d: %w", g.line, err)
		}
		out = append(out, a.Jobs...)
	}
	return out, nil
}

// canonical are the columns of a list that nobody brought.
var canonical = []string{colPart, colAssembly, colWanted, colWay, colMirror, colPriority, colBefore, colDue, colPrinters, colHours, colGrams, colNozzle, colLayer, colSeam, colNote, colGood, colMissing}

// Out writes the parts of a build as RFC 4180 in UTF-8, a line for each way, in
// the columns in which the person brought them. In reads it again.
func (l *Lists) Out(ctx context.Context, build string, to io.Writer, now time.Time) error {
	b, err := l.Intake.Store.FindBuild(ctx, build)
	if err != nil {
		return err
	}
	ledger, err := l.Intake.Store.Ledger(ctx, b.ID)
	if err != nil {
		return err
	}
	head := b.Columns
	if len(head) == 0 {
		head = canonical
	}
	w := csv.NewWriter(to)
	w.UseCRLF = true
	if err := w.Write(head); err != nil {
		return err
	}
	names := map[int64]string{}
	for _, p := range ledger.Parts {
		names[p.ID] = p.Name
	}
	progress := map[int64]queue.Progress{}
	for _, a := range ledger.Progress(now).Assemblies {
		for _, p := range a.Parts {
			progress[p.Part.ID] = p.Progress
		}
	}
	for i := range ledger.Parts {
		p := &ledger.Parts[i]
		ways := waysOf(&ledger, p.ID)
		for k := range ways {
			cells := make([]string, len(head))
			for c, h := range head {
				cells[c] = l.cell(columnOf(h), h, b, p, &ways[k], names[p.MirrorOf], progress[p.ID])
			}
			if err := w.Write(cells); err != nil {
				return err
			}
		}
	}
	w.Flush()
	return w.Error()
}

// waysOf lists the ways of a part that get a line: all that have a name, and the
// one without when it is the only one or has files.
func waysOf(l *queue.Ledger, partID int64) []queue.Way {
	var out []queue.Way
	for _, w := range l.Ways {
		if w.PartID == partID {
			out = append(out, w)
		}
	}
	if len(out) > 1 {
		out = slices.DeleteFunc(out, func(w queue.Way) bool { return w.Name == "" && len(w.Sections) == 0 })
	}
	if len(out) == 0 {
		out = []queue.Way{{PartID: partID}}
	}
	return out
}

func (l *Lists) cell(column, heading string, b queue.Build, p *queue.Part, w *queue.Way, mirror string, f queue.Progress) string {
	figure := func(v float64) string {
		if v == 0 {
			return ""
		}
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	switch column {
	case colPart:
		return p.Name
	case colAssembly:
		return p.Assembly
	case colBuild:
		return b.Name
	case colWanted:
		return strconv.Itoa(p.Wanted)
	case colWay:
		return w.Name
	case colMirror:
		return mirror
	case colPriority:
		return string(p.Priority)
	case colBefore:
		return queue.Day(p.NotBefore, l.Zone, false)
	case colDue:
		return queue.Day(p.Due, l.Zone, true)
	case colPrinters:
		return strings.Join(p.OnlyOn, " + ")
	case colHours:
		return figure(p.Hours)
	case colGrams:
		return figure(p.Grams)
	case colNozzle:
		return figure(w.NozzleMM)
	case colLayer:
		return figure(w.LayerMM)
	case colSeam:
		return w.Seam
	case colNote:
		return p.Note
	case colGood:
		return strconv.Itoa(f.Good)
	case colMissing:
		return strconv.Itoa(f.Wanted - f.Good)
	}
	return w.Extra[heading]
}
