package intake

import (
	"bytes"
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"undercroft/queue"
)

var update = flag.Bool("update", false, "write the golden files anew")

func lists(t *testing.T) *Lists {
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	return &Lists{Intake: intake(t), Zone: zone, Printers: map[string]bool{"Bittern": false, "Merel": false, "Resin in the shed": true}}
}

// Each list is read, and what comes of it is held against a golden file: how it
// was understood, what is wrong with which line, and what comes out again.
func TestListsGolden(t *testing.T) {
	names, err := filepath.Glob("testdata/lists/*.csv")
	if err != nil || len(names) < 10 {
		t.Fatal(len(names), err)
	}
	for _, name := range names {
		t.Run(filepath.Base(name), func(t *testing.T) {
			src, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			l := lists(t)
			var b strings.Builder
			rep, err := l.In(ctx, bytes.NewReader(src), ListOptions{Build: "Heron"})
			if err != nil {
				fmt.Fprintf(&b, "refused: %s\n", queue.Words(err))
				if !errors.Is(err, queue.ErrInvalid) {
					t.Errorf("%v is not an error of the list", err)
				}
			} else {
				fmt.Fprintf(&b, "%s\n", rep.Read)
				for _, c := range rep.Columns {
					fmt.Fprintf(&b, "  %s: %s\n", c.Header, c.Is)
				}
				fmt.Fprintf(&b, "%d lines, %d bad, %d taken\n", rep.Lines, len(rep.Bad), rep.Taken)
				for _, bad := range rep.Bad {
					fmt.Fprintf(&b, "line %d: %s\n", bad.Line, bad.Text)
				}
				if len(rep.Bad) > 0 {
					if rep.Taken > 0 {
						t.Error("a list with bad lines was taken")
					}
					if rep, err = l.In(ctx, bytes.NewReader(src), ListOptions{Build: "Heron", TakeGood: true}); err != nil {
						t.Fatal(err)
					}
					fmt.Fprintf(&b, "taken with --take-good: %d\n", rep.Taken)
				}
				for _, j := range rep.Jobs {
					fmt.Fprintf(&b, "job by hand: %s, %g h, %g g\n", j.Part, j.File.EstimateS/3600, j.File.MassG)
				}
				if _, err := l.Intake.Store.FindBuild(ctx, "Heron"); err == nil {
					b.WriteString("-- out again --\n")
					var out bytes.Buffer
					if err := l.Out(ctx, "Heron", &out, time.Time{}); err != nil {
						t.Fatal(err)
					}
					b.WriteString(strings.ReplaceAll(out.String(), "\r\n", "\n"))
					again(t, l, out.Bytes())
				}
			}
			golden := strings.TrimSuffix(name, ".csv") + ".txt"
			if *update {
				if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil || string(want) != b.String() {
				t.Errorf("%s (%v):\n%s", golden, err, b.String())
			}
		})
	}
}

// again reads what came out into the same house and into an empty one, and wants
// the same to come out.
func again(t *testing.T, l *Lists, out []byte) {
	t.Helper()
	for _, where := range []*Lists{l, lists(t)} {
		rep, err := where.In(ctx, bytes.NewReader(out), ListOptions{Build: "Heron"})
		if err != nil || len(rep.Bad) > 0 {
			t.Fatalf("what came out cannot be read: %v, %v", err, rep.Bad)
		}
		if where == l && len(rep.Jobs) > 0 && slices.ContainsFunc(rep.Jobs, func(j queue.Job) bool { return j.ID > 100 }) {
			t.Error("jobs were made twice")
		}
		var second bytes.Buffer
		if err := where.Out(ctx, "Heron", &second, time.Time{}); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(second.Bytes(), out) {
			t.Errorf("out again:\n%s\nwas:\n%s", second.String(), out)
		}
	}
}

// The same list in the ways in which spreadsheets write it says the same.
func TestOneListManyWaysToWriteIt(t *testing.T) {
	const text = "part,assembly,wanted,hours\nFlügel,Körper,4,\"2,5\"\nÇa,Körper,1,3:30\n"
	semicolons := "part;assembly;wanted;hours\r\nFlügel;Körper;4;2,5\r\nÇa;Körper;1;3,5\r\n"
	encode := func(s string, how func(string) (string, error)) string {
		t.Helper()
		out, err := how(s)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	le := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder()
	be := unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder()
	bare := unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder()
	latin := charmap.ISO8859_1.NewEncoder()
	for _, c := range []struct{ name, src, how string }{
		{"UTF-8", text, "UTF-8, columns separated by commas"},
		{"byte order mark", "\ufeff" + semicolons, "UTF-8 with a byte order mark, columns separated by semicolons"},
		{"tabs", strings.ReplaceAll(semicolons, ";", "\t"), "UTF-8, columns separated by tabs"},
		{"told", "sep=;\n" + semicolons, "UTF-8, columns separated by semicolons"},
		{"UTF-16", encode(text, le.String), "UTF-16, columns separated by commas"},
		{"UTF-16, the other way", encode(semicolons, be.String), "UTF-16, columns separated by semicolons"},
		{"UTF-16, unmarked", encode(semicolons, bare.String), "UTF-16 without a byte order mark, columns separated by semicolons"},
		{"Latin-1", encode(semicolons, latin.String), "Latin-1, columns separated by semicolons"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := lists(t)
			rep, err := l.In(ctx, strings.NewReader(c.src), ListOptions{})
			if err != nil || len(rep.Bad) > 0 || rep.Taken != 2 || rep.Read != c.how {
				t.Fatalf("%+v, %v", rep, err)
			}
			led, err := l.Intake.Store.Ledger(ctx, queue.LooseBuild)
			if err != nil || len(led.Parts) != 2 {
				t.Fatal(led.Parts, err)
			}
			if p := led.Parts[0]; p.Name != "Flügel" || p.Assembly != "Körper" || p.Wanted != 4 || p.Hours != 2.5 {
				t.Errorf("%+v", p)
			}
			if p := led.Parts[1]; p.Name != "Ça" || p.Hours != 3.5 {
				t.Errorf("%+v", p)
			}
		})
	}
}

// RFC 4180, section 2, rules 5 to 7: fields in quotation marks may hold
// separators, line breaks and, doubled, quotation marks.
func TestFieldsInQuotationMarks(t *testing.T) {
	l := lists(t)
	rep, err := l.In(ctx, strings.NewReader("part,note\r\n\"Rib, \"\"left\"\"\",\"first line\r\nsecond line\"\r\n"), ListOptions{})
	if err != nil || rep.Taken != 1 {
		t.Fatalf("%+v, %v", rep, err)
	}
	p, err := l.Intake.Store.FindPart(ctx, "", "", `Rib, "left"`)
	if err != nil || p.Note != "first line\nsecond line" {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestThousandsOfLines(t *testing.T) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"part", "assembly", "wanted", "printer"})
	for i := range 3000 {
		wanted, printer := fmt.Sprint(1+i%7), "Merel"
		if i%1000 == 17 {
			wanted = "-1"
		}
		if i%1000 == 18 {
			printer = "Crake"
		}
		_ = w.Write([]string{fmt.Sprintf("scale %d", i), fmt.Sprintf("skin %d", i%12), wanted, printer})
	}
	w.Flush()
	l := lists(t)
	rep, err := l.In(ctx, bytes.NewReader(b.Bytes()), ListOptions{Build: "Carp"})
	if err != nil || len(rep.Bad) != 6 || rep.Taken != 0 || rep.Bad[0].Line != 19 || rep.Bad[0].Text != "wanted: -1 is less than none" ||
		rep.Bad[1].Text != "there is no printer 'Crake' here; there are Bittern, Merel, Resin in the shed" {
		t.Fatalf("%+v, %v", rep, err)
	}
	if rep, err = l.In(ctx, bytes.NewReader(b.Bytes()), ListOptions{Build: "Carp", TakeGood: true}); err != nil || rep.Taken != 2994 {
		t.Errorf("%d taken, %v", rep.Taken, err)
	}
	for _, c := range []struct{ name, src, want string }{
		{"too many lines", "part\n" + strings.Repeat("a\n", maxRows+1), "more than 20000 lines"},
		{"too many columns", strings.Repeat(",", 150) + "part\n", "has 151 columns"},
		{"not text", "part,\x00\x01\x02\nx", "no text"},
	} {
		if _, err := l.In(ctx, strings.NewReader(c.src), ListOptions{}); !errors.Is(err, queue.ErrInvalid) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// Whatever the bytes, a list is taken, or refused with reasons, and nothing
// else.
func FuzzLists(f *testing.F) {
	names, _ := filepath.Glob("testdata/lists/*.csv")
	for _, n := range names {
		if b, err := os.ReadFile(n); err == nil {
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		s, err := readSheet(bytes.NewReader(raw))
		if err != nil {
			if !errors.Is(err, queue.ErrInvalid) {
				t.Fatal(err)
			}
			return
		}
		at, err := index(s.head, colPart)
		if err != nil {
			return
		}
		l := &Lists{Zone: time.UTC, Printers: map[string]bool{"Bittern": false}}
		for _, r := range s.rows {
			var why []string
			if g := l.line(r, at, s.head, "", &why); len(why) == 0 && (g.Part == "" || g.Wanted != nil && *g.Wanted < 0) {
				t.Fatalf("line %d was taken as %+v", r.line, g)
			}
		}
	})
}
