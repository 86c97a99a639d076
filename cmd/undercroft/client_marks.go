package main

import (
	"fmt"
	"slices"
	"strings"

	"undercroft/web"
)

// marksCmd shows what to write on pieces.
type marksCmd struct{ printerArg }

// Run prints the marks of what lies on the plate, or is being made on it.
func (m *marksCmd) Run(c *client) error {
	marks, err := c.marks(m.Printer)
	if err != nil {
		return err
	}
	if c.json {
		return c.printJSON(marks)
	}
	if len(marks) == 0 {
		return c.say("Nothing of a job lies on %s.", m.Printer)
	}
	c.writeMarks(marks)
	return nil
}

// marks asks what lies on a plate; a printer that is not there has none.
func (c *client) marks(printer string) ([]web.Piece, error) {
	var v web.View
	if err := c.get("/api/view", &v); err != nil {
		return nil, err
	}
	for _, p := range v.Printers {
		if strings.EqualFold(p.Name, printer) {
			return p.Plate.Marks, nil
		}
	}
	return []web.Piece{}, nil
}

// goodOnes leaves out what a person has just said is bad.
func goodOnes(marks []web.Piece, good *int, bad []int) []web.Piece {
	marks = slices.DeleteFunc(slices.Clone(marks), func(p web.Piece) bool { return slices.Contains(bad, p.Place) || p.State == "failed" })
	if good != nil && len(bad) == 0 && *good >= 0 && *good < len(marks) {
		return marks[:*good]
	}
	return marks
}

// writeMarks prints what to write on each piece: the part and its number large,
// the rest below.
func (c *client) writeMarks(marks []web.Piece) {
	if len(marks) == 0 {
		return
	}
	one := "Write on the piece:"
	if len(marks) > 1 {
		one = "Write on the pieces:"
	}
	fmt.Fprintf(c.out, "%s\n", one)
	for _, m := range marks {
		place := ""
		if len(marks) > 1 || m.Place > 1 {
			place = fmt.Sprint(m.Place)
		}
		fmt.Fprintln(c.out)
		for _, line := range m.Write {
			fmt.Fprintf(c.out, "%4s    %s\n", place, large(line))
			place = ""
		}
	}
	fmt.Fprintln(c.out)
}

// large spaces capitals: a terminal has no other large type.
func large(s string) string {
	words := strings.Fields(strings.ToUpper(plain(s)))
	for i, w := range words {
		words[i] = strings.Join(strings.Split(w, ""), " ")
	}
	return strings.Join(words, "   ")
}
