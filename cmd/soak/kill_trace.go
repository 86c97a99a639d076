package main

import (
	"bytes"
	"io"
	"os"
	"strconv"
	"strings"
)

// executed is one file as a printer executed it, begun by the command that
// names it.
type executed struct {
	part    string
	beganS  float64 // virtual time
	lastS   float64
	matched int  // commands of the file in order, each once, from the first on
	closed  bool // something else was executed: nothing that follows belongs to it
}

// traceReader reads a printer's trace as it grows.
type traceReader struct {
	path string
	at   int64
	rest []byte
	runs []*executed
}

// questions are put by the host between the lines of a file.
var questions = map[string]bool{"M105": true, "M114": true, "M155": true, "M400": true, "M110": true, "M115": true, "M211": true, "M503": true}

// read takes in what has come.
func (t *traceReader) read(files map[string]*piece) error {
	f, err := os.Open(t.path)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := io.ReadAll(io.NewSectionReader(f, t.at, 1<<40))
	if err != nil {
		return err
	}
	t.at += int64(len(text))
	t.rest = append(t.rest, text...)
	for {
		line, more, whole := bytes.Cut(t.rest, []byte("\n"))
		if !whole {
			return nil
		}
		t.line(string(line), files)
		t.rest = more
	}
}

func (t *traceReader) line(line string, files map[string]*piece) {
	if line == "" || line[0] == '#' {
		return
	}
	words := strings.SplitN(line, " ", 3)
	if len(words) < 3 {
		return
	}
	at, _ := strconv.ParseFloat(words[0], 64)
	text := words[2]
	code, _, _ := strings.Cut(text, " ")
	if questions[code] {
		return
	}
	if part, ok := strings.CutPrefix(text, "M117 begin "); ok {
		t.runs = append(t.runs, &executed{part: part, beganS: at, lastS: at, matched: 1})
		return
	}
	if len(t.runs) == 0 {
		return
	}
	x := t.runs[len(t.runs)-1]
	p := files[x.part]
	if x.closed || p == nil {
		return
	}
	if x.matched < len(p.commands) && p.commands[x.matched] == text {
		x.matched++
		x.lastS = at
	} else {
		x.closed = true
	}
}
