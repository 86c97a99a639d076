package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"

	"undercroft/queue"
)

// Inbox takes files from a folder. A file is taken when it has stopped growing.
// A sub-folder is a build, a folder in it an assembly. The name says what the
// file does not ('wing-rib x4.gcode'), a list 'parts.csv' beside it says the
// rest. What cannot be taken goes to the folder 'refused', with a text that says
// why.
//
// The folder may be on a network drive: nothing relies on being told of changes,
// on its clock, or on names being the same thing after a restart. A file is
// removed once its jobs are on the disk; a crash between the two is found out by
// what the store remembers.
type Inbox struct {
	Dir     string
	Intake  *Intake
	Lists   *Lists
	Added   func([]queue.Job) // told of new jobs; nil: nobody
	Log     *slog.Logger
	Settled time.Duration // unchanged for so long, a file has stopped growing; 0: 3 s

	seen   map[string]sighting
	beside map[string]string        // the list in each folder, as the last scan found it
	at     func(point string) error // tests: a crash here
}

// sighting is a file as it was seen last.
type sighting struct {
	size  int64
	mod   time.Time
	since time.Time // seen unchanged since
	retry time.Time // not before
	tries int
}

// Names in the folder that mean something.
const (
	refusedDir = "refused"
	listName   = "parts.csv"
	whyEnd     = ".why.txt"
)

// Bounds of the folder.
const (
	defaultSettled = 3 * time.Second
	rescan         = 10 * time.Second // whoever is told of nothing looks himself
	maxInbox       = 5000             // files looked at in one scan
)

// Run looks after the folder until ctx ends.
func (b *Inbox) Run(ctx context.Context) error {
	if err := os.MkdirAll(b.Dir, 0o750); err != nil {
		return fmt.Errorf("the inbox folder cannot be made: %w: %w", err, queue.ErrUnavailable)
	}
	told := make(chan struct{}, 1)
	watch, err := fsnotify.NewWatcher()
	if err != nil { // the scan alone will do
		b.Log.Warn("changes of the inbox are not told; it is looked at every few seconds", "err", err)
	} else {
		defer watch.Close()
		go forward(watch, told)
	}
	for {
		wait := rescan
		if b.Scan(ctx, time.Now()) {
			wait = b.settled() / 2
		}
		if watch != nil {
			b.watch(watch)
		}
		timer := time.NewTimer(wait)
		select {
		case <-told:
			timer.Stop()
			select { // changes come in swarms
			case <-time.After(200 * time.Millisecond):
			case <-ctx.Done():
				return nil
			}
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return nil
		}
	}
}

// forward turns the watcher's events into one conflated call.
func forward(watch *fsnotify.Watcher, told chan<- struct{}) {
	for {
		select {
		case _, ok := <-watch.Events:
			if !ok {
				return
			}
			select {
			case told <- struct{}{}:
			default:
			}
		case _, ok := <-watch.Errors:
			if !ok {
				return
			}
		}
	}
}

// watch asks to be told of changes in the folders that there are now.
func (b *Inbox) watch(w *fsnotify.Watcher) {
	_ = filepath.WalkDir(b.Dir, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return nil
		case !d.IsDir():
			return nil
		case path != b.Dir && (d.Name() == refusedDir || strings.HasPrefix(d.Name(), ".")) || depth(b.Dir, path) > 2:
			return fs.SkipDir
		}
		_ = w.Add(path) // one that is watched already stays so
		return nil
	})
}

func depth(dir, path string) int {
	rel, err := filepath.Rel(dir, path)
	if err != nil || rel == "." {
		return 0
	}
	return strings.Count(filepath.ToSlash(rel), "/") + 1
}

func (b *Inbox) settled() time.Duration {
	if b.Settled == 0 {
		return defaultSettled
	}
	return b.Settled
}

// Scan looks at every file once: it takes those that have stopped growing and
// notes the others. It says whether there are such others. now is real time; only
// differences of it count, so that a clock set back costs patience, no more.
func (b *Inbox) Scan(ctx context.Context, now time.Time) (growing bool) {
	if b.seen == nil {
		if err := b.forgetGone(ctx); err != nil {
			b.Log.Warn("what was taken from the inbox before cannot be read", "err", err)
			return true
		}
		b.seen = map[string]sighting{}
	}
	var lists, files []string
	here := map[string]bool{}
	b.beside = map[string]string{}
	err := filepath.WalkDir(b.Dir, func(path string, d fs.DirEntry, err error) error {
		name := ""
		if d != nil {
			name = d.Name()
		}
		switch {
		case err != nil:
			return nil // it went away meanwhile, or will be seen next time
		case path == b.Dir:
			return nil
		case strings.HasPrefix(name, "."), d.IsDir() && name == refusedDir:
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		case d.IsDir(), unfinished(name):
			return nil
		case len(here) == maxInbox:
			return fs.SkipAll
		}
		here[path] = true
		if strings.EqualFold(name, listName) {
			b.beside[filepath.Dir(path)] = path
		}
		switch ready, err := b.still(path, now); {
		case err != nil:
		case !ready:
			growing = true
		case strings.EqualFold(name, listName):
			lists = append(lists, path)
		default:
			files = append(files, path)
		}
		return nil
	})
	if err != nil {
		b.Log.Warn("the inbox cannot be read", "dir", b.Dir, "err", err)
	}
	for path := range b.seen {
		if !here[path] {
			delete(b.seen, path)
		}
	}
	// Lists first: they say of the files what these do not say themselves. A file
	// whose list still grows waits for it.
	for _, path := range slices.Concat(lists, files) {
		if ctx.Err() != nil {
			return growing
		}
		if list := b.beside[filepath.Dir(path)]; list != "" && list != path && !slices.Contains(lists, list) {
			growing = true
			continue
		}
		b.try(ctx, path, now)
	}
	return growing
}

// forgetGone forgets what a crash left remembered although its file is gone, so
// that the same file may come again.
func (b *Inbox) forgetGone(ctx context.Context) error {
	keys, err := b.Intake.Store.TakenKeys(ctx)
	if err != nil {
		return err
	}
	for _, key := range keys {
		rel := key
		for range 2 { // size and time stand behind the name
			rel = rel[:max(strings.LastIndex(rel, "|"), 0)]
		}
		if _, err := os.Lstat(filepath.Join(b.Dir, filepath.FromSlash(rel))); errors.Is(err, fs.ErrNotExist) {
			if err := b.Intake.Store.Forget(ctx, key); err != nil {
				return err
			}
		}
	}
	return nil
}

// unfinished says by its name that a file is still being written by whoever
// writes it.
func unfinished(name string) bool {
	low := strings.ToLower(name)
	return strings.HasSuffix(low, ".part") || strings.HasSuffix(low, ".tmp") || strings.HasSuffix(low, ".partial") || strings.HasSuffix(low, "~") || strings.HasSuffix(low, whyEnd)
}

// still says whether a file has not changed for long enough.
func (b *Inbox) still(path string, now time.Time) (bool, error) {
	info, err := os.Lstat(path)
	if err != nil {
		return false, err
	}
	was, known := b.seen[path]
	if !known || was.size != info.Size() || !was.mod.Equal(info.ModTime()) || now.Before(was.since) {
		b.seen[path] = sighting{size: info.Size(), mod: info.ModTime(), since: now}
		return false, nil
	}
	return now.Sub(was.since) >= b.settled(), nil
}

// try takes a file, or says why not. What is the house's own trouble (a full
// disk, say) is tried again, later and later.
func (b *Inbox) try(ctx context.Context, path string, now time.Time) {
	s := b.seen[path]
	if s.retry.After(now) {
		return
	}
	err := b.take(ctx, path)
	switch {
	case err == nil:
		delete(b.seen, path)
	case ctx.Err() != nil, errors.Is(err, errCrash):
	case errors.Is(err, queue.ErrRefused), errors.Is(err, queue.ErrInvalid), errors.Is(err, queue.ErrNotFound):
		if err := b.refuse(path, queue.Words(err)); err != nil {
			b.later(path, s, now, err)
			return
		}
		delete(b.seen, path)
	default:
		b.later(path, s, now, err)
	}
}

// errCrash ends a test's take as a crash would.
var errCrash = errors.New("the test crashes here")

func (b *Inbox) point(name string) error {
	if b.at == nil {
		return nil
	}
	return b.at(name)
}

func (b *Inbox) later(path string, s sighting, now time.Time, err error) {
	s.tries++
	s.retry = now.Add(min(10*time.Minute, 5*time.Second<<min(s.tries, 8)))
	b.seen[path] = s
	b.Log.Warn("a file of the inbox could not be taken; it is tried again", "file", path, "err", err)
}

// take takes one file whole.
func (b *Inbox) take(ctx context.Context, path string) error {
	rel, err := filepath.Rel(b.Dir, path)
	if err != nil {
		return err
	}
	folders := strings.Split(filepath.ToSlash(filepath.Dir(rel)), "/")
	if folders[0] == "." {
		folders = nil
	}
	if len(folders) > 2 {
		return fmt.Errorf("a folder in the inbox is a build, one in that an assembly; %s lies deeper: %w", rel, queue.ErrInvalid)
	}
	info, err := os.Lstat(path)
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no file but a link or a device: %w", rel, queue.ErrInvalid)
	}
	if strings.EqualFold(filepath.Base(path), listName) {
		return b.takeList(ctx, path, rel, folders)
	}
	key := fmt.Sprintf("%s|%d|%d", filepath.ToSlash(rel), info.Size(), info.ModTime().UnixNano())
	if before, err := b.Intake.Store.Taken(ctx, key); err != nil {
		return err
	} else if before {
		return b.gone(ctx, path, key)
	}
	req, err := b.request(path, folders)
	if err != nil {
		return err
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := b.point("before it is added"); err != nil {
		return err
	}
	a, err := b.Intake.add(ctx, req, origin{once: key}, f)
	if len(a.Jobs) > 0 && b.Added != nil {
		b.Added(a.Jobs)
	}
	if err != nil && len(a.Jobs) == 0 {
		return err
	}
	if err != nil { // its jobs are there, something beside them is not
		b.Log.Warn("a file of the inbox was taken, but not all of what its list says", "file", rel, "err", err)
	}
	b.Log.Info("taken from the inbox", "file", rel, "jobs", len(a.Jobs), "known", a.Known)
	if err := b.point("added, and not removed"); err != nil {
		return err
	}
	return b.gone(ctx, path, key)
}

// gone removes a file whose jobs are on the disk, and then forgets it.
func (b *Inbox) gone(ctx context.Context, path, key string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("it is taken, but cannot be removed from the inbox: %w", err)
	}
	if err := b.point("removed, and not forgotten"); err != nil {
		return err
	}
	return b.Intake.Store.Forget(ctx, key)
}

// takeList reads a list when it is new or has changed; it stays where it is, for
// the files that are still to come. When it is bad it is refused, and the files
// that it names with it: without it they would be misunderstood.
func (b *Inbox) takeList(ctx context.Context, path, rel string, folders []string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	hash, key := hex.EncodeToString(sum[:]), "inbox-list:"+filepath.ToSlash(rel)
	switch known, err := b.Intake.Store.Setting(ctx, key); {
	case err != nil:
		return err
	case known == hash:
		return nil
	}
	var build, assembly string
	if len(folders) > 0 {
		build = folders[0]
	}
	if len(folders) > 1 {
		assembly = folders[1]
	}
	rep, err := b.Lists.In(ctx, strings.NewReader(string(text)), ListOptions{Build: build, Assembly: assembly})
	if err == nil && len(rep.Bad) > 0 {
		why := fmt.Sprintf("%d of its %d lines are bad; nothing of it was taken", len(rep.Bad), rep.Lines)
		for _, l := range rep.Bad {
			why += fmt.Sprintf("\n  line %d: %s", l.Line, l.Text)
		}
		err = fmt.Errorf("%s: %w", why, queue.ErrInvalid)
	}
	if err != nil {
		if errors.Is(err, queue.ErrInvalid) {
			b.refuseListed(path, text)
		}
		return err
	}
	if len(rep.Jobs) > 0 && b.Added != nil {
		b.Added(rep.Jobs)
	}
	b.Log.Info("the list in the inbox was taken", "file", rel, "lines", rep.Taken)
	return b.Intake.Store.SetSetting(ctx, key, hash)
}

// refuseListed refuses the files that a bad list names, as far as it can be read.
func (b *Inbox) refuseListed(path string, text []byte) {
	s, err := readSheet(strings.NewReader(string(text)))
	if err != nil {
		return
	}
	at, err := index(s.head)
	if err != nil {
		return
	}
	for _, r := range s.rows {
		name := cellOf(r, at, colFile, "")
		file := filepath.Join(filepath.Dir(path), filepath.Base(name))
		if name == "" || strings.EqualFold(filepath.Base(name), listName) {
			continue
		}
		if _, err := os.Lstat(file); err == nil {
			if err := b.refuse(file, "the list "+listName+" beside it is bad; see what is said of it, and put both back together"); err != nil {
				b.Log.Warn("a file of the inbox could not be moved", "file", file, "err", err)
			}
		}
	}
}

// refuse moves a file to the folder of the refused ones, beside a text that says
// why. The text is written first, so that no file ever lies there without one.
func (b *Inbox) refuse(path, why string) error {
	rel, err := filepath.Rel(b.Dir, path)
	if err != nil {
		return err
	}
	to := filepath.Join(b.Dir, refusedDir, rel)
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return err
	}
	ext := filepath.Ext(to)
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, fs.ErrNotExist) {
			break
		}
		to = strings.TrimSuffix(filepath.Join(b.Dir, refusedDir, rel), ext) + fmt.Sprintf(" (%d)", n) + ext
	}
	text := fmt.Sprintf("%s was not taken.\n\n%s\n\nCorrect it and put it into the inbox again.\n", rel, why)
	if err := os.WriteFile(to+whyEnd, []byte(text), 0o640); err != nil {
		return err
	}
	if err := b.point("said why, and not moved"); err != nil {
		return err
	}
	b.Log.Warn("a file of the inbox was refused", "file", rel, "why", why)
	return os.Rename(path, to)
}
