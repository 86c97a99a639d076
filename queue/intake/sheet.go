package intake

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"undercroft/queue"
)

// sheet is a list that was kept in a spreadsheet, as text.
type sheet struct {
	head []string
	rows []row
	bad  []BadLine // what is no line of a list at all
	how  string    // how it was written, in words
}

// row is one line, with its number in the file.
type row struct {
	line  int
	cells []string
}

// Bounds of a list.
const (
	maxListBytes = 8 << 20
	maxRows      = 20000
	maxColumns   = 100
	maxCell      = 2000
)

// readSheet reads comma-separated values after RFC 4180, as spreadsheets in
// different countries write them: in UTF-8 with or without a byte order mark,
// UTF-16 or Latin-1 (as Windows-1252, its superset in the printable range), with
// commas, semicolons or tabs between.
func readSheet(src io.Reader) (*sheet, error) {
	raw, err := io.ReadAll(io.LimitReader(src, maxListBytes+1))
	if err != nil {
		return nil, fmt.Errorf("reading the list: %w", err)
	}
	if len(raw) > maxListBytes {
		return nil, fmt.Errorf("the list has more than %d MB: %w", maxListBytes>>20, queue.ErrInvalid)
	}
	text, how, err := decode(raw)
	if err != nil {
		return nil, err
	}
	skipped := 0
	sep := separator(text)
	// Some spreadsheets want to be told the separator in a first line of its own.
	if first, rest, _ := strings.Cut(text, "\n"); len(strings.TrimRight(first, "\r")) == 5 && strings.HasPrefix(strings.ToLower(first), "sep=") {
		sep, text, skipped = rune(first[4]), rest, 1
	}
	r := csv.NewReader(strings.NewReader(text))
	if sep != ',' && sep != ';' && sep != '\t' {
		return nil, fmt.Errorf("the list says that %q separates its columns; comma, semicolon and tab are read: %w", sep, queue.ErrInvalid)
	}
	r.Comma, r.FieldsPerRecord = sep, -1
	s := &sheet{how: how + ", columns separated by " + map[rune]string{',': "commas", ';': "semicolons", '\t': "tabs"}[sep]}
	for {
		cells, err := r.Read()
		var broken *csv.ParseError
		switch {
		case errors.Is(err, io.EOF):
			if s.head == nil {
				return nil, fmt.Errorf("the list is empty: %w", queue.ErrInvalid)
			}
			return s, nil
		case errors.As(err, &broken):
			s.bad = append(s.bad, BadLine{broken.StartLine + skipped, quotes(broken, skipped)})
			if s.head == nil {
				return nil, fmt.Errorf("the headings in line %d cannot be read: %s: %w", broken.StartLine+skipped, quotes(broken, skipped), queue.ErrInvalid)
			}
			continue
		case err != nil:
			return nil, fmt.Errorf("reading the list: %w", err)
		}
		line, _ := r.FieldPos(0)
		empty := true
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
			empty = empty && cells[i] == ""
		}
		switch {
		case empty:
		case len(cells) > maxColumns:
			return nil, fmt.Errorf("line %d of the list has %d columns; up to %d are read: %w", line+skipped, len(cells), maxColumns, queue.ErrInvalid)
		case s.head == nil:
			s.head = cells
		case len(s.rows) == maxRows:
			return nil, fmt.Errorf("the list has more than %d lines: %w", maxRows, queue.ErrInvalid)
		default:
			s.rows = append(s.rows, row{line + skipped, cells})
		}
	}
}

func quotes(e *csv.ParseError, skipped int) string {
	if e.StartLine != e.Line {
		return fmt.Sprintf("a quotation mark is opened here and not closed before line %d; all between belongs to one text", e.Line+skipped)
	}
	if errors.Is(e.Err, csv.ErrQuote) || errors.Is(e.Err, csv.ErrBareQuote) {
		return fmt.Sprintf("a quotation mark in column %d stands alone; a text with one in it is written \"like \"\"this\"\"\"", e.Column)
	}
	return e.Err.Error()
}

// decode finds out how the bytes are to be read.
func decode(raw []byte) (text, how string, err error) {
	var enc encoding.Encoding
	switch {
	case bytes.HasPrefix(raw, []byte{0xef, 0xbb, 0xbf}):
		raw, how = raw[3:], "UTF-8 with a byte order mark"
		if utf8.Valid(raw) {
			return string(raw), how, nil
		}
		return "", "", fmt.Errorf("the list begins as UTF-8 does and then is not: save it again as UTF-8: %w", queue.ErrInvalid)
	case bytes.HasPrefix(raw, []byte{0xff, 0xfe}), bytes.HasPrefix(raw, []byte{0xfe, 0xff}):
		enc, how = unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM), "UTF-16"
	case len(raw) > 3 && raw[1] == 0 && raw[0] != 0:
		enc, how = unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM), "UTF-16 without a byte order mark"
	case len(raw) > 3 && raw[0] == 0 && raw[1] != 0:
		enc, how = unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM), "UTF-16 without a byte order mark"
	case utf8.Valid(raw):
		text, how = string(raw), "UTF-8"
	default:
		enc, how = charmap.Windows1252, "Latin-1"
	}
	if enc != nil {
		out, err := enc.NewDecoder().Bytes(raw)
		if err != nil {
			return "", "", fmt.Errorf("the list looks like %s and cannot be read as that: %w: %w", how, err, queue.ErrInvalid)
		}
		text = string(out)
	}
	if strings.ContainsRune(text, 0) {
		return "", "", fmt.Errorf("this is no text: save the list as CSV: %w", queue.ErrInvalid)
	}
	return text, how, nil
}

// separator is what stands most often between the headings, outside quotation
// marks.
func separator(text string) rune {
	count := map[rune]int{}
	quoted := false
	for _, c := range text {
		if c == '"' {
			quoted = !quoted
		}
		if c == '\n' && !quoted && len(count) > 0 {
			break
		}
		if !quoted && (c == ',' || c == ';' || c == '\t') {
			count[c]++
		}
	}
	best := ','
	for _, c := range []rune{';', '\t'} {
		if count[c] > count[best] {
			best = c
		}
	}
	return best
}
