package queue

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestParseYields(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"rib=4,foot=2", "rib 4; foot 2"},
		{" Rib, left = 4 , foot=1 ", "Rib, left 4; foot 1"},
		{"a=b=3", "a=b 3"},
		{"rib=0", "'rib=0' in 'rib=0': wanted is a part's name, '=' and how many of it one print makes, from 1 to 1000, such as 'rib=4, foot=2'"},
		{"rib=-1", "'rib=-1' in 'rib=-1': wanted is a part's name, '=' and how many of it one print makes, from 1 to 1000, such as 'rib=4, foot=2'"},
		{"=4", "'=4' in '=4': wanted is a part's name, '=' and how many of it one print makes, from 1 to 1000, such as 'rib=4, foot=2'"},
		{"rib=4, foot", "'foot' in 'rib=4, foot' has no count; write for example 'rib=4, foot=2'"},
		{"rib=4,Rib=1", "'rib=4,Rib=1' names Rib twice"},
		{"", "'' in '' has no count; write for example 'rib=4, foot=2'"},
	} {
		list, err := ParseYields(c.text)
		var words []string
		for _, y := range list {
			words = append(words, fmt.Sprintf("%s %d", y.Part, y.Count))
		}
		got := strings.Join(words, "; ")
		if err != nil {
			got = Words(err)
			if !errors.Is(err, ErrInvalid) {
				t.Errorf("%q: %v", c.text, err)
			}
		}
		if got != c.want {
			t.Errorf("%q is %s, want %s", c.text, got, c.want)
		}
	}
}

// Days on the clock on the wall; in Amsterdam the clock jumps from 02:00 to
// 03:00 on 29 March 2026 and back from 03:00 to 02:00 on 25 October 2026 (IANA
// time zone database).
func TestParseDay(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		text string
		end  bool
		want string // RFC 3339, empty: an error
	}{
		{"2026-12-05", false, "2026-12-05T00:00:00+01:00"},
		{"2026-12-05", true, "2026-12-05T23:59:00+01:00"},
		{"5.12.2026 18:00", true, "2026-12-05T18:00:00+01:00"},
		{"2026-03-29", false, "2026-03-29T00:00:00+01:00"},
		{"2026-03-29", true, "2026-03-29T23:59:00+02:00"},
		{"2026-03-29 02:30", false, "2026-03-29T03:30:00+02:00"},
		{"2026-10-25", true, "2026-10-25T23:59:00+01:00"},
		{"2026-07-01T10:00:00Z", false, "2026-07-01T12:00:00+02:00"},
		{"12/05/2026", false, ""},
		{"2026-02-30", false, ""},
		{"0026-12-05", false, ""},
		{"tomorrow", false, ""},
	} {
		got, err := ParseDay(c.text, zone, c.end)
		switch {
		case c.want == "" && !errors.Is(err, ErrInvalid):
			t.Errorf("%s: %v, %v", c.text, got, err)
		case c.want != "" && (err != nil || got.Format(time.RFC3339) != c.want):
			t.Errorf("%s is %s, %v, want %s", c.text, got.Format(time.RFC3339), err, c.want)
		case c.want != "":
			if back, err := ParseDay(Day(got, zone, c.end), zone, c.end); err != nil || !back.Equal(got) {
				t.Errorf("%s is written as %s and read back as %s, %v", c.text, Day(got, zone, c.end), back, err)
			}
		}
	}
}

// Goes is an order: it agrees with itself whichever way jobs are compared.
func TestGoesIsAnOrder(t *testing.T) {
	files := []*File{{EstimateS: 100}, {EstimateS: 200}}
	job := rapid.Custom(func(t *rapid.T) *Job {
		j := &Job{ID: int64(rapid.IntRange(1, 50).Draw(t, "id")), File: files[rapid.IntRange(0, 1).Draw(t, "file")], Order: rapid.IntRange(0, 3).Draw(t, "order"),
			Priority: rapid.SampledFrom([]Priority{PriorityFirst, PriorityNormal, PriorityLater}).Draw(t, "priority")}
		if d := rapid.IntRange(0, 3).Draw(t, "due"); d > 0 {
			j.Due = evening.AddDate(0, 0, d)
		}
		return j
	})
	sign := func(n int) int { return max(-1, min(1, n)) }
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := job.Draw(t, "a"), job.Draw(t, "b"), job.Draw(t, "c")
		if sign(Goes(a, b)) != -sign(Goes(b, a)) {
			t.Fatalf("%+v and %+v", a, b)
		}
		if Goes(a, b) <= 0 && Goes(b, c) <= 0 && Goes(a, c) > 0 {
			t.Fatalf("%+v, %+v and %+v go in a circle", a, b, c)
		}
	})
}

// The lowest number that is free; a section joins the other sections of its way.
func TestNextNumber(t *testing.T) {
	p := func(number int, way int64, section int) Piece {
		return Piece{Number: number, WayID: way, Section: section}
	}
	for _, c := range []struct {
		held    []Piece
		way     int64
		section int
		want    int
	}{
		{nil, 1, 0, 1},
		{[]Piece{p(1, 1, 0), p(3, 1, 0)}, 1, 0, 2},
		{[]Piece{p(1, 1, 0), p(2, 1, 0)}, 1, 0, 3},
		{[]Piece{p(1, 1, 0)}, 1, 1, 1},
		{[]Piece{p(1, 1, 0)}, 2, 1, 2},
		{[]Piece{p(1, 1, 0), p(1, 1, 1), p(2, 1, 0)}, 1, 1, 2},
	} {
		if got := NextNumber(c.held, c.way, c.section); got != c.want {
			t.Errorf("%+v: %d, want %d", c, got, c.want)
		}
	}
}

func TestOtherWays(t *testing.T) {
	j, bittern, h := suitable()
	j.Yields = []Yield{{PartID: 1, WayID: 10, Count: 1}}
	j.NozzleMM, bittern.Phase = 0.8, "ready"
	merel := bittern
	merel.Name, merel.Kind = "Merel", "reed"
	merel.Spool.Material = "PLA"
	print := func(way int64, section int, kind string, nozzle float64, material string) Print {
		return Print{File: j.File, Kind: kind, NozzleMM: nozzle, Material: material, Yields: []Yield{{PartID: 1, WayID: way, Section: section, Count: 1}}}
	}
	l := Ledger{
		Ways: []Way{{ID: 10, PartID: 1, Name: "whole", Sections: []string{""}}, {ID: 11, PartID: 1, Name: "two halves", Sections: []string{"upper", "lower"}},
			{ID: 12, PartID: 1, Name: "coarse", Sections: []string{""}}, {ID: 13, PartID: 1, Name: "someday"}, {ID: 14, PartID: 1, Name: "huge", Sections: []string{""}}, {ID: 15, PartID: 2, Name: "another part's", Sections: []string{""}}},
		Prints: []Print{print(10, 0, "fen", 0.8, "PLA"), print(11, 0, "reed", 0.4, "PLA"), print(11, 1, "reed", 0.4, "PLA"), print(12, 0, "fen", 0.6, "PETG"), print(14, 0, "nowhere", 0.4, "PLA")},
	}
	got := OtherWays(&j, &l, []Machine{bittern, merel}, &h)
	want := []string{`use way "two halves" on Merel`, `use way "coarse" on Bittern: fit the 0.6 mm nozzle on Bittern, load PETG on Bittern`}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
