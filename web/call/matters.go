// Package call tells people who are not looking what waits for them: by mail,
// by a webhook, and through the pages that are open somewhere. What there is to
// tell is derived from what the pages show, so that nothing is lost over a
// restart; what was told is written down, so that nothing is told twice.
package call

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"

	"undercroft/queue"
	"undercroft/web"
)

// The kinds of calls.
const (
	Plate  = "plate"  // a plate is to be cleared
	Hands  = "hands"  // something else waits for hands: a nozzle, a sheet, an answer
	Away   = "away"   // one of these two, while nobody is home and jobs wait
	Mishap = "mishap" // a run failed or was interrupted
	Alarm  = "alarm"  // heat or link: go and look, now
	Reel   = "reel"   // a reel ends before its run, or has run out
	Held   = "held"   // a run waits for a person: a call in the file, the firmware, the machine
	Eyes   = "eyes"   // a first layer wants to be looked at
	Done   = "done"   // every piece of a build is good
	Test   = "test"
)

// Kinds are all that a channel can be told to carry.
var Kinds = []string{Alarm, Mishap, Reel, Held, Eyes, Plate, Hands, Away, Done}

// matter is one thing that somebody must be told of. Its key is the same as long
// as it is the same thing, whatever its words.
type matter struct {
	key string
	web.Call
}

// grave are causes of mishaps after which a machine may still be hot, or is not
// known to be what it should be.
var grave = []string{
	"not-heating", "below-target", "above-target", "heats-unasked", "over-limit", "sensor-open", "sensor-shorted", "sensor-loose",
	"cold-extrusion", "halted", "thermal", "no-answer", "silent", "port-lost",
}

// mild are warnings that are for who looks at the page.
var mild = []string{"slow"}

// linkGrace is how long a link may be gone, in house time, before it is an alarm:
// a cable that is put in again is none.
const linkGrace = time.Minute

// matters lists what v and the builds show that somebody must be told of, the
// gravest first.
func matters(v *web.View, builds []web.Build) []matter {
	var out []matter
	for i := range v.Printers {
		out = append(out, alarms(v, &v.Printers[i])...)
	}
	untold := map[int64]bool{} // runs whose mishap says all there is to say
	for i := range v.Mishaps {
		if m, ok := mishap(&v.Mishaps[i]); ok {
			untold[v.Mishaps[i].RunID] = true
			out = append(out, m)
		}
	}
	for i := range v.Printers {
		out = append(out, waiting(v, &v.Printers[i], untold)...)
	}
	for i := range builds {
		b := &builds[i]
		if b.Wanted > 0 && b.Good >= b.Wanted {
			name := b.Name
			if name == "" {
				name = "What belongs to no build"
			}
			out = append(out, matter{fmt.Sprintf("done/%s/%d", b.Name, b.Wanted), web.Call{
				Kind: Done, Title: name + " is printed", Text: fmt.Sprintf("All %s are good.", count(b.Wanted, "piece", "pieces")),
				Do: "Nothing. Build it.",
			}})
		}
	}
	for i := range out {
		c := &out[i].Call
		c.At = v.At
		c.Title, c.Text, c.Do = clean(c.Title, 160), clean(c.Text, 1000), clean(c.Do, 500)
	}
	return out
}

func alarms(v *web.View, p *web.Printer) []matter {
	var out []matter
	alarm := func(key, title, text string) {
		out = append(out, matter{key, web.Call{
			Kind: Alarm, Printer: p.Name, Title: p.Name + ": " + title, Text: text,
			Do: "Go and look. If anything is hot that should not be, pull the plug of " + p.Name + ". This is no safety device: it sees late, and only what the firmware reports.",
		}})
	}
	if p.Phase == "faulted" {
		alarm(fmt.Sprintf("faulted/%s/%d", p.Name, p.PhaseSince.Unix()), "out of order", p.Why)
	}
	if p.Phase == "absent" && v.At.Sub(p.PhaseSince) >= linkGrace {
		for _, h := range p.Heaters {
			if h.TargetC > 0 {
				alarm(fmt.Sprintf("hot/%s/%d", p.Name, p.PhaseSince.Unix()), "no link, and it may be heating",
					fmt.Sprintf("When it was last heard, %s was to have %.0f °C. Nothing is known since.", h.Name, h.TargetC))
				break
			}
		}
	}
	for _, w := range p.Warnings {
		if !slices.Contains(mild, w.Cause) {
			alarm("warning/"+p.Name+"/"+w.Cause, w.Cause, w.Text)
		}
	}
	return out
}

func mishap(m *web.Mishap) (matter, bool) {
	if m.Decided != "" || m.Result != "failed" && m.Result != "interrupted" {
		return matter{}, false // a person was there
	}
	c := web.Call{
		Kind: Mishap, Printer: m.Printer, Part: m.Part, JobID: m.JobID, RunID: m.RunID,
		Title: fmt.Sprintf("%s: %s stopped at %.1f of %.1f mm", m.Printer, m.Part, m.CompletedMM, m.HeightMM),
		Text:  m.Text,
		Do:    fmt.Sprintf("Look at the machine. Then decide on the page: the rest alone, all again, or nothing; or 'undercroft reprint --job %d'.", m.JobID),
	}
	if slices.Contains(grave, m.Cause) {
		c.Kind = Alarm
		c.Do = "Go and look, the plug of " + m.Printer + " within reach. " + c.Do
	}
	return matter{fmt.Sprintf("mishap/%d", m.ID), c}, true
}

// waiting is what p waits for.
func waiting(v *web.View, p *web.Printer, untold map[int64]bool) []matter {
	var out []matter
	if r := p.Run; r != nil {
		base := web.Call{Printer: p.Name, Part: r.Part, JobID: r.JobID, RunID: r.ID}
		if h := p.Held; h != nil && h.By != "person" && h.Step == "waits" {
			c := base
			c.Kind, c.Title = Held, p.Name+" waits for you in "+r.Part
			c.Text = fmt.Sprintf("Held at %.1f mm by the %s. %s", r.CompletedMM, h.By, h.Asks)
			c.Do = "See to it, then 'go on' on the page, or 'undercroft resume " + p.Name + "'."
			if h.Filament {
				c.Kind, c.Title = Reel, p.Name+" waits for filament in "+r.Part
				c.Do = "Load another reel, then say so on the page, or 'undercroft loaded " + p.Name + "'."
			}
			out = append(out, matter{fmt.Sprintf("held/%d/%d", r.ID, h.Since.Unix()), c})
		}
		if s := p.Spool.Short; s != nil && p.Held == nil {
			c := base
			c.Kind, c.Title = Reel, fmt.Sprintf("%s: the reel ends at about %s", p.Name, clock(v, s.At))
			c.Text = fmt.Sprintf("%s wants more than is on it: it ends in layer %d of %d, at %.1f of %.1f mm.", r.Part, s.Layer, s.Layers, s.TopMM, r.HeightMM)
			c.Do = fmt.Sprintf("Have another reel of %s ready at that time, and change it when %s waits for it.", strings.TrimSpace(p.Spool.Colour+" "+p.Spool.Material), p.Name)
			out = append(out, matter{fmt.Sprintf("reel/%d/%d", r.ID, p.Spool.Number), c})
		}
		if r.Eyes == "asked" {
			c := base
			c.Kind, c.Title, c.Text = Eyes, p.Name+": look at the first layer of "+r.Part, "It prints on while you look: "+r.EyesWhy+"."
			c.Do = "Look, then say 'good' or 'stop' on the page, or 'undercroft eyes " + p.Name + "'."
			out = append(out, matter{fmt.Sprintf("eyes/%d", r.ID), c})
		}
		return out
	}
	if p.Phase != "ready" || p.OutOf != "" || p.WaitsFor != "person" {
		return out
	}
	c := web.Call{Kind: Hands, Printer: p.Name, Title: p.Name + " waits for you", Text: p.Why, Do: "See to it, and say so on the page."}
	key := "hands/" + p.Name
	switch {
	case p.Plate.State == "occupied":
		if untold[p.Plate.RunID] {
			return out
		}
		c.Kind, c.Title, c.Part, c.JobID, c.RunID = Plate, p.Name+": clear the plate", p.Plate.Part, p.Plate.JobID, p.Plate.RunID
		c.Text = p.Plate.Part + " lies on it."
		if p.Plate.Pieces > 1 {
			c.Text = fmt.Sprintf("%s lies on it, %s.", p.Plate.Part, count(p.Plate.Pieces, "piece", "pieces"))
		}
		c.Do = "Take it off, seat the sheet, then answer on the page, or 'undercroft cleared " + p.Name + "'."
		key = fmt.Sprintf("plate/%s/%d", p.Name, p.Plate.RunID)
	case v.Tally.JobsWaiting == 0:
		return out // nothing would start anyway
	}
	if v.Hours.Answered && !v.Hours.HomeNow && v.Tally.JobsWaiting > 0 {
		c.Kind, c.Title = Away, "Nobody is home, and "+p.Name+" waits"
		c.Text = strings.TrimSpace(c.Text+" "+homeFrom(v)) + fmt.Sprintf(" %s.", waitingJobs(v.Tally.JobsWaiting))
	}
	return append(out, matter{key, c})
}

func waitingJobs(n int) string {
	if n == 1 {
		return "1 job waits"
	}
	return fmt.Sprintf("%d jobs wait", n)
}

// homeFrom says when somebody is home again.
func homeFrom(v *web.View) string {
	s, err := queue.ParseSchedule(v.Hours.Home)
	if err != nil {
		return ""
	}
	at := s.NextChange(v.At.In(zone(v)))
	if at.IsZero() {
		return ""
	}
	return "Home hours begin at " + at.Format("Mon 15:04") + "."
}

func zone(v *web.View) *time.Location {
	if where, err := time.LoadLocation(v.Zone); err == nil {
		return where
	}
	return v.At.Location()
}

func clock(v *web.View, t time.Time) string { return t.In(zone(v)).Format("Mon 15:04") }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// clean bounds a text, and leaves nothing in it that could steer a terminal, a
// header or a line: names come from files.
func clean(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsPrint(r):
			return r
		case unicode.IsSpace(r):
			return ' '
		}
		return -1
	}, strings.ToValidUTF8(s, ""))
	if r := []rune(s); len(r) > most {
		s = string(r[:most-1]) + "…"
	}
	return s
}

// link is where a person sees to a call.
func link(base string, c *web.Call) string {
	if base == "" {
		return ""
	}
	u := base + "/"
	if c.Printer != "" {
		u += "#printer=" + url.QueryEscape(c.Printer)
	}
	return u
}
