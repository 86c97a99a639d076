package gcode

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// TestSameWords compares the words of the shared files with a table that a
// general-purpose parser library made of them (the table's head says which).
func TestSameWords(t *testing.T) {
	const dir = "../testdata/gcode"
	table, err := os.Open(filepath.Join(dir, "words.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	defer table.Close()
	type sum struct {
		words int
		total float64
	}
	read := map[string]map[byte]sum{}
	rows := 0
	for s := bufio.NewScanner(table); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") {
			continue
		}
		f := strings.Split(s.Text(), "\t")
		words, err := strconv.Atoi(f[2])
		if err != nil {
			t.Fatal(err)
		}
		total, err := strconv.ParseFloat(f[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		if read[f[0]] == nil {
			m := map[byte]sum{}
			eachWord(t, filepath.Join(dir, f[0]+".gcode"), func(letter byte, v float64) {
				m[letter] = sum{m[letter].words + 1, m[letter].total + v}
			})
			read[f[0]] = m
		}
		got := read[f[0]][f[1][0]]
		if got.words != words || math.Abs(got.total-total) > 1e-5 {
			t.Errorf("%s: %s: %d words, sum %.6f; the library read %d, %.6f", f[0], f[1], got.words, got.total, words, total)
		}
		delete(read[f[0]], f[1][0])
		rows++
	}
	if rows < 100 {
		t.Fatalf("%d rows", rows)
	}
	for file, rest := range read {
		for letter := range rest {
			t.Errorf("%s: the library read no %c", file, letter)
		}
	}
}

func eachWord(t *testing.T, name string, do func(letter byte, v float64)) {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines := NewLines(f)
	var p Parser
	for {
		line, err := lines.Next()
		if err != nil {
			return
		}
		p.Reset(line)
		for {
			more, err := p.Next()
			if err != nil {
				t.Fatal(name, err)
			}
			if !more {
				break
			}
			c := &p.Command
			if c.Letter != 0 {
				do(c.Letter, float64(c.Number)+float64(c.Sub)/10)
			}
			for i, v := range c.Value {
				if c.Valued&(1<<i) != 0 {
					do('A'+byte(i), v)
				}
			}
		}
	}
}
