package dispatch

import (
	"slices"
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
}

func likenessOf(j *queue.Job) likeness {
	return likeness{j.File, j.Kind, j.NozzleMM, j.Material, j.Surface}
}

// group is the queued jobs that are alike, in queue order; never empty.
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
}

func (d *Dispatcher) question(p *printer, h *queue.House) question {
	return question{d.added, p.changed, h.Answered, h.ColdNow, h.NextCold}
}

func byID(j *queue.Job, id int64) int { return int(j.ID - id) }

// enqueue offers a job to printers. The caller holds mu.
func (d *Dispatcher) enqueue(j *queue.Job) {
	d.added++
	like := likenessOf(j)
	for _, g := range d.queued[j.Kind] {
		if g.likeness == like {
			i, _ := slices.BinarySearchFunc(g.jobs, j.ID, byID)
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
		if i, ok := slices.BinarySearchFunc(g.jobs, j.ID, byID); ok {
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

// first is the first queued job that suits a machine, nil when none does. The
// caller holds mu.
func (d *Dispatcher) first(m *queue.Machine, h *queue.House) *queue.Job {
	var best *queue.Job
	for _, g := range d.queued[m.Kind] {
		if j := g.jobs[0]; (best == nil || j.ID < best.ID) && queue.Suits(j, m, h) {
			best = j
		}
	}
	return best
}
