package dispatch

import (
	"slices"
	"strings"
	"time"

	"undercroft/queue"
)

// likeness is all of a job that its obstacles depend on. Of thousands of jobs
// most are alike, and one answer holds for all that are.
type likeness struct {
	file              *queue.File
	kind              string
	nozzleMM          float64
	material, surface string
	colour            string
	onlyOn, notOn     string
	notBefore         time.Time
}

func likenessOf(j *queue.Job) likeness {
	return likeness{j.File, j.Kind, j.NozzleMM, j.Material, j.Surface, j.Colour, strings.Join(j.OnlyOn, "\n"), strings.Join(j.NotOn, "\n"), j.NotBefore.UTC()}
}

// group is the queued jobs that are alike, in the order in which they go
// (queue.Goes); never empty.
type group struct {
	likeness
	jobs []*queue.Job
}

// question is all that can turn the answer 'no queued job suits this idle
// printer' into another: a job that was added, a change of its facts, the hours.
// Jobs that leave the queue and time that runs on towards cold hours only take
// choices away.
type question struct {
	added, changed uint64
	answered       bool
	cold           bool
	next           time.Time
	opens          time.Time // the next day on which a job is no longer too early
}

func (d *Dispatcher) question(p *printer, h *queue.House) question {
	return question{d.added, p.changed, h.Answered, h.ColdNow, h.NextCold, d.opens(h.Now)}
}

// opens is the next instant from which a queued job may start that may not
// before, zero when there is none. The caller holds mu.
func (d *Dispatcher) opens(now time.Time) time.Time {
	var next time.Time
	for _, groups := range d.queued {
		for _, g := range groups {
			if t := g.notBefore; t.After(now) && (next.IsZero() || t.Before(next)) {
				next = t
			}
		}
	}
	return next
}

// enqueue offers a job to printers. The caller holds mu.
func (d *Dispatcher) enqueue(j *queue.Job) {
	d.added++
	like := likenessOf(j)
	for _, g := range d.queued[j.Kind] {
		if g.likeness == like {
			i, _ := slices.BinarySearchFunc(g.jobs, j, queue.Goes)
			g.jobs = slices.Insert(g.jobs, i, j)
			return
		}
	}
	d.queued[j.Kind] = append(d.queued[j.Kind], &group{like, []*queue.Job{j}})
}

// dequeue takes a job back. The caller holds mu.
func (d *Dispatcher) dequeue(j *queue.Job) {
	like := likenessOf(j)
	for k, g := range d.queued[j.Kind] {
		if g.likeness != like {
			continue
		}
		if i, ok := slices.BinarySearchFunc(g.jobs, j, queue.Goes); ok {
			g.jobs = slices.Delete(g.jobs, i, i+1)
		}
		if len(g.jobs) == 0 {
			d.queued[j.Kind] = slices.Delete(d.queued[j.Kind], k, k+1)
		}
		return
	}
}

// setJob puts a job's new state into the memory. The caller holds mu.
func (d *Dispatcher) setJob(j queue.Job) {
	if old := d.live[j.ID]; old != nil && old.State == queue.Queued {
		d.dequeue(old)
	}
	if !j.State.Live() {
		delete(d.live, j.ID)
		return
	}
	d.live[j.ID] = &j
	if j.State == queue.Queued {
		d.enqueue(&j)
	}
}

// first is the queued job that goes first of those that suit a machine, nil when
// none does: by priority and a person's order, dated before undated, long before
// short (queue.Goes), until there is a plan. The
// caller holds mu.
func (d *Dispatcher) first(m *queue.Machine, h *queue.House) *queue.Job {
	var best *queue.Job
	for _, g := range d.queued[m.Kind] {
		if j := g.jobs[0]; (best == nil || queue.Goes(j, best) < 0) && queue.Suits(j, m, h) {
			best = j
		}
	}
	return best
}
