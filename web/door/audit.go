package door

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"sync"
	"time"
)

// Entry is one line of the record of who did what.
type Entry struct {
	At     time.Time       `json:"at"`
	Who    string          `json:"who" doc:"the person or the key; empty when nobody was known"`
	How    string          `json:"how" doc:"session, key, here, log-in"`
	From   string          `json:"from" doc:"the address it came from"`
	Method string          `json:"method"`
	Path   string          `json:"path"`
	Status int             `json:"status" doc:"the answer's HTTP status"`
	Body   json.RawMessage `json:"body,omitempty" doc:"what was asked for, where it was small; never a password"`
}

// Audit is the record, a file of JSON lines. It is bounded: when the file is
// full it becomes the older one, in place of the one before.
type Audit struct {
	path string
	max  int64

	mu   sync.Mutex
	f    *os.File
	size int64
}

const auditBytes = 4 << 20 // of each of the two files: some twenty thousand entries

// OpenAudit continues the record at path.
func OpenAudit(path string) (*Audit, error) {
	a := &Audit{path: path, max: auditBytes}
	return a, a.open()
}

func (a *Audit) open() error {
	f, err := os.OpenFile(a.path, os.O_RDWR|os.O_APPEND|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("the record of who did what cannot be opened: %w", err)
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return err
	}
	a.f, a.size = f, info.Size()
	// A line that a power cut left half written must not swallow the next.
	last := make([]byte, 1)
	if a.size > 0 {
		if _, err := f.ReadAt(last, a.size-1); err == nil && last[0] != '\n' {
			n, err := f.WriteString("\n")
			a.size += int64(n)
			return err
		}
	}
	return nil
}

// Add writes one entry.
func (a *Audit) Add(e Entry) error {
	line, err := json.Marshal(e)
	if err != nil {
		return err
	}
	line = append(line, '\n')
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.size+int64(len(line)) > a.max {
		a.f.Close()
		if err := os.Rename(a.path, a.older()); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if err := a.open(); err != nil {
			return err
		}
	}
	n, err := a.f.Write(line)
	a.size += int64(n)
	return err
}

func (a *Audit) older() string { return a.path + ".1" }

// Newest returns up to n entries from before a time (the zero time: from now),
// newest first. Lines that cannot be read are passed over.
func (a *Audit) Newest(n int, before time.Time) ([]Entry, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	var all []Entry
	for _, path := range []string{a.older(), a.path} {
		text, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		lines := bufio.NewScanner(bytes.NewReader(text))
		lines.Buffer(nil, auditBytes)
		for lines.Scan() {
			var e Entry
			if json.Unmarshal(lines.Bytes(), &e) == nil && (before.IsZero() || e.At.Before(before)) {
				all = append(all, e)
			}
		}
	}
	all = all[max(0, len(all)-n):]
	slices.Reverse(all)
	return all, nil
}

// Close ends the record.
func (a *Audit) Close() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.f.Close()
}
