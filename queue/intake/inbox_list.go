package intake

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Lying is a file in the inbox folder.
type Lying struct {
	Name  string // below the folder, with slashes
	Bytes int64
	At    time.Time
	Why   string // why it was refused; empty: it waits to be taken
}

// Bounds of a listing.
const (
	maxLying = 200
	maxWhy   = 4 << 10 // bytes of a text that says why
)

// ListInbox says what waits in an inbox folder and what was refused there, newest
// first, and whether there is more than that.
func ListInbox(dir string) (waiting, refused []Lying, more bool, err error) {
	seen := 0
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil && path == dir:
			return err
		case err != nil || path == dir:
			return nil // it went away meanwhile
		case strings.HasPrefix(d.Name(), "."):
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		case d.IsDir() || strings.HasSuffix(strings.ToLower(d.Name()), whyEnd):
			return nil
		}
		if seen++; seen > maxInbox {
			more = true
			return fs.SkipAll
		}
		info, err := d.Info()
		rel, relErr := filepath.Rel(dir, path)
		if err != nil || relErr != nil {
			return nil
		}
		l := Lying{Name: filepath.ToSlash(rel), Bytes: info.Size(), At: info.ModTime()}
		if rest, ok := strings.CutPrefix(l.Name, refusedDir+"/"); ok {
			l.Name = rest
			refused = append(refused, l)
		} else {
			waiting = append(waiting, l)
		}
		return nil
	})
	if errors.Is(err, fs.ErrNotExist) {
		err = nil // nothing was ever put there
	}
	for _, list := range []*[]Lying{&waiting, &refused} {
		slices.SortStableFunc(*list, func(a, b Lying) int { return b.At.Compare(a.At) })
		if len(*list) > maxLying {
			*list, more = (*list)[:maxLying], true
		}
	}
	for i := range refused {
		refused[i].Why = whyOf(filepath.Join(dir, refusedDir, filepath.FromSlash(refused[i].Name)))
	}
	return waiting, refused, more, err
}

// whyOf reads what was said of a refused file, without what frames it.
func whyOf(path string) string {
	f, err := os.Open(path + whyEnd)
	if err != nil {
		return ""
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxWhy))
	if err != nil {
		return ""
	}
	parts := strings.Split(string(text), "\n\n")
	if len(parts) < 3 {
		return strings.TrimSpace(string(text))
	}
	return strings.TrimSpace(strings.Join(parts[1:len(parts)-1], "\n\n"))
}
