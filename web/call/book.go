package call

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// Rules say which calls a channel carries, and when.
type Rules struct {
	For         []string       // kinds; empty: all
	Quiet       queue.Schedule // hours, on the clock on the wall, in which calls wait
	HoldsAlarms bool           // alarms wait in quiet hours, too
}

// carries tells whether a call of that kind goes out on this channel at a house
// time; what does not go now goes later, if it is still true then.
func (r *Rules) carries(kind string, at time.Time) bool {
	if kind == Test {
		return true
	}
	if len(r.For) > 0 && !slices.Contains(r.For, kind) {
		return false
	}
	return !r.Quiet.Contains(at) || kind == Alarm && !r.HoldsAlarms
}

// book is what was told to whom. It is written to a file, so that a restart
// neither loses a call nor repeats one.
type book struct {
	Entries []*entry `json:"entries"`
	fresh   bool     // nothing was ever written: what is done already is no news
}

// entry is one matter.
type entry struct {
	Key  string            `json:"key"`
	Call web.Call          `json:"call"`
	Over time.Time         `json:"over,omitzero"` // real time since which it is no longer so
	Told map[string]*state `json:"told"`          // by channel
}

// state is how far one call is on one channel.
type state struct {
	At    time.Time `json:"at,omitzero"` // real time at which it was taken; zero: not yet
	Tries int       `json:"tries,omitempty"`
	Next  time.Time `json:"next,omitzero"` // not before
}

const (
	// forgetAfter is how long a matter must be gone before it is a new one: what
	// comes and goes is told once.
	forgetAfter = 30 * time.Minute
	// alarmsKept is how long an alarm that is over is still to be delivered.
	alarmsKept = 24 * time.Hour
	maxEntries = 500
)

// note takes in what there is to tell at a real time, and reports whether
// anything changed.
func (b *book) note(list []matter, now time.Time) bool {
	changed := false
	stands := make(map[string]bool, len(list))
	for _, m := range list {
		stands[m.key] = true
		i := slices.IndexFunc(b.Entries, func(e *entry) bool { return e.Key == m.key })
		if i < 0 {
			if len(b.Entries) >= maxEntries && !b.drop() {
				continue
			}
			m.ID = fmt.Sprintf("%s/%d", m.key, now.Unix())
			e := &entry{Key: m.key, Call: m.Call, Told: map[string]*state{}}
			if b.fresh && m.Kind == Done {
				e.Told[everywhere] = &state{At: now}
			}
			b.Entries = append(b.Entries, e)
			changed = true
			continue
		}
		e := b.Entries[i]
		if !e.Over.IsZero() {
			e.Over, changed = time.Time{}, true
		}
		// Whoever is told later is told how it stands then.
		id, at := e.Call.ID, e.Call.At
		e.Call = m.Call
		e.Call.ID, e.Call.At = id, at
	}
	b.Entries = slices.DeleteFunc(b.Entries, func(e *entry) bool {
		if stands[e.Key] {
			return false
		}
		if e.Over.IsZero() {
			e.Over, changed = now, true
		}
		gone := now.Sub(e.Over) >= forgetAfter
		if e.Call.Kind == Done {
			gone = false // its number of pieces is in the key
		}
		if gone && e.Call.Kind == Alarm && now.Sub(e.Over) < alarmsKept && e.pending() {
			gone = false
		}
		changed = changed || gone
		return gone
	})
	b.fresh = false
	return changed
}

// everywhere stands for all channels.
const everywhere = "*"

// pending tells whether a try to deliver the call failed and none went well.
func (e *entry) pending() bool {
	for _, s := range e.Told {
		if s.At.IsZero() && s.Tries > 0 {
			return true
		}
	}
	return false
}

// drop makes room: the oldest that is over goes.
func (b *book) drop() bool {
	i := slices.IndexFunc(b.Entries, func(e *entry) bool { return !e.Over.IsZero() })
	if i < 0 {
		return false
	}
	b.Entries = slices.Delete(b.Entries, i, i+1)
	return true
}

// due lists what is to be delivered on a channel now, and how many more wait.
// The next instant at which a failed one is to be tried again is zero when none
// is.
func (b *book) due(channel string, r *Rules, house, now time.Time) (list []*entry, waiting int, next time.Time) {
	for _, e := range b.Entries {
		s := e.Told[channel]
		if e.Told[everywhere] != nil || s != nil && !s.At.IsZero() {
			continue
		}
		if !e.Over.IsZero() && e.Call.Kind != Alarm && e.Call.Kind != Test {
			continue
		}
		if len(r.For) > 0 && e.Call.Kind != Test && !slices.Contains(r.For, e.Call.Kind) {
			continue
		}
		waiting++
		if !r.carries(e.Call.Kind, house) {
			continue
		}
		if s != nil && now.Before(s.Next) {
			if next.IsZero() || s.Next.Before(next) {
				next = s.Next
			}
			continue
		}
		if len(list) < maxAtOnce {
			list = append(list, e)
		}
	}
	return list, waiting, next
}

// maxAtOnce bounds what goes out in one go; the rest follows.
const maxAtOnce = 20

// told notes what became of a try.
func (e *entry) told(channel string, ok bool, now time.Time, atLeast time.Duration) {
	s := e.Told[channel]
	if s == nil {
		s = &state{}
		e.Told[channel] = s
	}
	if ok {
		s.At, s.Next = now, time.Time{}
		return
	}
	s.Tries++
	s.Next = now.Add(max(backoff(s.Tries), min(atLeast, maxBackoff)))
}

const (
	firstBackoff = 10 * time.Second
	maxBackoff   = 15 * time.Minute
)

// backoff is the pause after the nth failure: doubled each time, up to a quarter
// of an hour.
func backoff(tries int) time.Duration {
	if tries > 7 {
		return maxBackoff
	}
	return min(firstBackoff<<(tries-1), maxBackoff)
}

// recent are the calls that a channel took, newest first.
func (b *book) recent(channel string) []web.Call {
	var list []*entry
	for _, e := range b.Entries {
		if s := e.Told[channel]; s != nil && !s.At.IsZero() {
			list = append(list, e)
		}
	}
	slices.SortStableFunc(list, func(x, y *entry) int { return y.Told[channel].At.Compare(x.Told[channel].At) })
	out := []web.Call{}
	for _, e := range list[:min(len(list), maxAtOnce)] {
		out = append(out, e.Call)
	}
	return out
}

// readBook reads the file; one that is not there is an empty, fresh book. One
// that cannot be understood is put aside: calls are told once more then.
func readBook(path string) (*book, error) {
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return &book{fresh: true}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("what was told to whom cannot be read: %w", err)
	}
	var b book
	if err := json.Unmarshal(data, &b); err != nil {
		if err := os.Rename(path, path+".damaged"); err != nil {
			return nil, fmt.Errorf("what was told to whom is damaged and cannot be put aside: %w", err)
		}
		return &book{fresh: true}, nil
	}
	b.Entries = slices.DeleteFunc(b.Entries, func(e *entry) bool { return e == nil || e.Key == "" })
	for _, e := range b.Entries {
		if e.Told == nil {
			e.Told = map[string]*state{}
		}
	}
	return &b, nil
}

// write replaces the file as a whole.
func (b *book) write(path string) error {
	data, err := json.Marshal(b)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".calls-*")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
	return err
}
