package intake

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"undercroft/queue"
)

// countEnds finds 'x4' or '×4' behind a name, '4x' before it.
var (
	countBehind = regexp.MustCompile(`(?i)^(.+?)[ _-]+[x×] ?(\d{1,3})$`)
	countBefore = regexp.MustCompile(`(?i)^(\d{1,3}) ?[x×][ _-]+(.+)$`)
)

// partOfName splits 'wing-rib x4' into the part and how many times to print it;
// 0 when the name does not say.
func partOfName(name string) (part string, count int) {
	name = strings.TrimSpace(strings.TrimSuffix(name, filepath.Ext(name)))
	if m := countBehind.FindStringSubmatch(name); m != nil {
		n, _ := strconv.Atoi(m[2])
		return m[1], n
	}
	if m := countBefore.FindStringSubmatch(name); m != nil {
		n, _ := strconv.Atoi(m[1])
		return m[2], n
	}
	return name, 0
}

// request is what folders, name and list say of a file.
func (b *Inbox) request(path string, folders []string) (Request, error) {
	name := filepath.Base(path)
	part, count := partOfName(name)
	req := Request{FileName: name, Part: part, Count: count}
	if len(folders) > 0 {
		req.Build = folders[0]
	}
	if len(folders) > 1 {
		req.Assembly = folders[1]
	}
	list := b.beside[filepath.Dir(path)]
	if list == "" {
		return req, nil
	}
	f, err := os.Open(list)
	if err != nil {
		return req, err
	}
	defer f.Close()
	s, err := readSheet(f)
	if err != nil {
		return req, fmt.Errorf("%s: %w", listName, err)
	}
	at, err := index(s.head)
	if err != nil {
		return req, fmt.Errorf("%s: %w", listName, err)
	}
	for _, r := range s.rows {
		file := cellOf(r, at, colFile, "")
		if file == "" && strings.EqualFold(cellOf(r, at, colPart, ""), part) || strings.EqualFold(filepath.Base(file), name) {
			return req, fromList(&req, r, at)
		}
	}
	return req, nil
}

// fromList takes what a line of a list says of a file. How often to print it is
// what the name says, else as often as its pieces are wanted.
func fromList(req *Request, r row, at map[string]int) error {
	set := func(to *string, column string) { *to = cellOf(r, at, column, *to) }
	set(&req.Part, colPart)
	set(&req.Build, colBuild)
	set(&req.Assembly, colAssembly)
	set(&req.Way, colWay)
	set(&req.Section, colSection)
	set(&req.Yields, colYields)
	set(&req.Seam, colSeam)
	set(&req.Kind, colKind)
	set(&req.Material, colMaterial)
	set(&req.Colour, colColour)
	set(&req.Surface, colSurface)
	if text := cellOf(r, at, colNozzle, ""); text != "" {
		v, err := numberOf(text, "mm")
		if err != nil {
			return fmt.Errorf("%s, line %d: nozzle: %w: %w", listName, r.line, err, queue.ErrInvalid)
		}
		req.NozzleMM = v
	}
	if text := cellOf(r, at, colWanted, ""); text != "" && req.Count == 0 {
		wanted, err := wholeOf(text, maxCount)
		if err != nil {
			return fmt.Errorf("%s, line %d: wanted: %w: %w", listName, r.line, err, queue.ErrInvalid)
		}
		per := 1
		if req.Yields != "" {
			yields, err := queue.ParseYields(req.Yields)
			if err != nil {
				return fmt.Errorf("%s, line %d: %w", listName, r.line, err)
			}
			for _, y := range yields {
				if strings.EqualFold(y.Part, req.Part) {
					per = y.Count
				}
			}
		}
		if req.Count = (wanted + per - 1) / per; req.Count == 0 {
			req.WayOnly = true
		}
	}
	return nil
}
