package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
)

// table prints rows under a head, in columns two blanks apart.
type table struct {
	to  io.Writer
	buf bytes.Buffer
	w   *tabwriter.Writer
}

func newTable(out io.Writer, head ...string) *table {
	t := &table{to: out}
	t.w = tabwriter.NewWriter(&t.buf, 0, 0, 2, ' ', 0)
	t.row(head...)
	return t
}

func (t *table) row(cells ...string) {
	for i, c := range cells {
		cells[i] = plain(c)
	}
	fmt.Fprintln(t.w, strings.Join(cells, "\t")+"\t")
}

// end prints the table without blanks at the ends of lines.
func (t *table) end() error {
	if err := t.w.Flush(); err != nil {
		return err
	}
	for line := range strings.Lines(t.buf.String()) {
		if _, err := fmt.Fprintln(t.to, strings.TrimRight(line, " \n")); err != nil {
			return err
		}
	}
	return nil
}

// plain drops what could steer a terminal: names of parts and files come from
// outside.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r != ' ' && (unicode.IsControl(r) || !unicode.IsPrint(r)) {
			return -1
		}
		return r
	}, s)
}

// clock is a time as a clock shows it, with the day where it is not today's:
// "21:40", "Wed 03:54", "3 Dec 03:54".
func clock(t, now time.Time) string {
	if t.IsZero() {
		return ""
	}
	t = t.In(now.Location())
	ty, tm, td := t.Date()
	ny, nm, nd := now.Date()
	if ty == ny && tm == nm && td == nd {
		return t.Format("15:04")
	}
	days := time.Date(ty, tm, td, 0, 0, 0, 0, time.UTC).Sub(time.Date(ny, nm, nd, 0, 0, 0, 0, time.UTC)).Hours() / 24
	if math.Abs(days) < 6 {
		return t.Format("Mon 15:04")
	}
	return t.Format("2 Jan 15:04")
}

// span is a length of time in hours and minutes: "6 h 24 min", "42 s".
func span(seconds float64) string {
	if !(seconds > 0) {
		return "0 s"
	}
	if seconds < 90 {
		return fmt.Sprintf("%.0f s", math.Ceil(seconds))
	}
	min := int(math.Round(seconds / 60))
	if min < 60 {
		return fmt.Sprintf("%d min", min)
	}
	if min%60 == 0 {
		return fmt.Sprintf("%d h", min/60)
	}
	return fmt.Sprintf("%d h %d min", min/60, min%60)
}

// figure is a number without needless zeros, to at most two places; a dash for
// what is not known.
func figure(x float64) string {
	if x == 0 {
		return "-"
	}
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", x), "0"), ".")
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
