package dispatch

import (
	"errors"
	"strings"
	"testing"
	"time"

	"undercroft/queue"
	"undercroft/queue/store"
)

// A person begins and ends what is made on a printer without a link; that the
// daemon ends in between interrupts nothing, and nothing starts by itself.
func TestWhatIsMadeByHandOutlivesTheDaemon(t *testing.T) {
	dir := t.TempDir()
	machines := []Machine{machineFor("Bittern"), {Name: "Shed", Kind: queue.ByHand}}
	h := open(t, dir, newFakes(t, "Bittern"), machines, nil)
	lens := &queue.File{SHA256: strings.Repeat("1e", 32), Name: "eye lens", EstimateS: 7200, MassG: 12, ByHand: true}
	jobs := h.add(lens, 2, func(j *queue.Job) { j.Kind, j.Part, j.Material, j.Pieces = queue.ByHand, "eye lens", "RESIN", 3 })
	if err := h.Begin(ctx, jobs[0].ID, "Bittern"); !errors.Is(err, queue.ErrInvalid) {
		t.Errorf("begun by hand on a printer with a link: %v", err)
	}
	if err := h.Begin(ctx, jobs[0].ID, "Shed"); err != nil {
		t.Fatal(err)
	}
	if err := h.Begin(ctx, jobs[1].ID, "Shed"); !errors.Is(err, queue.ErrConflict) || !strings.Contains(err.Error(), "eye lens (job 1)") {
		t.Errorf("two jobs at once: %v", err)
	}
	if got := len(h.View().Printers[1].Machine.Plate.Pieces); got != 3 {
		t.Errorf("%d pieces of 3 are being made", got)
	}
	h.close()

	h = open(t, dir, newFakes(t, "Bittern"), machines, nil)
	defer h.close()
	if v := h.View(); v.Running != 1 || v.Printers[1].Job == nil || v.Printers[1].Job.ID != jobs[0].ID || v.Decision != 0 {
		t.Fatalf("after a restart: %d running, %d to decide, %+v", v.Running, v.Decision, v.Printers[1].Job)
	}
	if err := h.EndByHand(ctx, jobs[0].ID, store.Yield{Bad: []int{2}}); err != nil {
		t.Fatal(err)
	}
	j, err := h.o.Store.Job(ctx, jobs[0].ID)
	if err != nil || j.State != queue.NeedsDecision || j.Good != 2 {
		t.Errorf("%+v, %v", j, err)
	}
	if err := h.EndByHand(ctx, jobs[0].ID, store.Yield{}); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("ended twice: %v", err)
	}
	if err := h.Begin(ctx, jobs[1].ID, "Shed"); err != nil {
		t.Fatal(err)
	}
	if err := h.Stop(ctx, "Shed", "the vat leaks"); err != nil {
		t.Fatal(err)
	}
	if j, err := h.o.Store.Job(ctx, jobs[1].ID); err != nil || j.State != queue.NeedsDecision || j.Note != "the vat leaks" {
		t.Errorf("%+v, %v", j, err)
	}
	if tally, err := h.o.Store.Tally(ctx); err != nil || tally.PiecesDone != 2 || tally.PiecesWanted != 6 || tally.GramsUsed != 12 {
		t.Errorf("%+v, %v", tally, err)
	}
}

// Until there is a plan: by priority, by a person's order, dated before undated,
// long before short; and only where and when it may.
func TestWhichJobGoesFirst(t *testing.T) {
	h := open(t, t.TempDir(), newFakes(t, "Bittern", "Merel"), []Machine{machineFor("Bittern"), machineFor("Merel")}, nil)
	defer h.close()
	named := func(name string, hours float64) queue.Job {
		f := quick(name)
		f.EstimateS = hours * 3600
		return h.add(f, 1, func(j *queue.Job) { j.Part = name })[0]
	}
	short, long, dated, later, placed := named("short", 1), named("long", 9), named("dated", 2), named("later", 20), named("placed", 1)
	part := func(j queue.Job, c store.PartChange) {
		t.Helper()
		if err := h.Change(ctx, func() ([]queue.Job, error) { return h.o.Store.ChangePart(ctx, j.Yields[0].PartID, c) }); err != nil {
			t.Fatal(err)
		}
	}
	due, tomorrow, last := time.Now().AddDate(0, 0, 9), time.Now().Add(24*time.Hour), queue.PriorityLater
	part(dated, store.PartChange{Due: &due})
	part(later, store.PartChange{Priority: &last})
	if err := h.Order(ctx, []int64{placed.ID}, false); err != nil {
		t.Fatal(err)
	}
	order := func() string {
		var names []string
		for _, j := range h.View().Jobs {
			names = append(names, j.Part)
		}
		return strings.Join(names, " ")
	}
	if got := order(); got != "placed dated long short later" {
		t.Errorf("the queue is %s", got)
	}
	if err := h.Order(ctx, []int64{short.ID, long.ID}, false); err != nil {
		t.Fatal(err)
	}
	if got := order(); got != "short long placed dated later" {
		t.Errorf("after an order by hand the queue is %s", got)
	}
	if err := h.Order(ctx, []int64{short.ID, long.ID, placed.ID}, true); err != nil {
		t.Fatal(err)
	}
	if err := h.Confine(ctx, dated.ID, []string{"Merel"}, nil); err != nil {
		t.Fatal(err)
	}
	if err := h.Confine(ctx, dated.ID, []string{"Nobody"}, nil); !errors.Is(err, queue.ErrNotFound) {
		t.Errorf("confined to a printer that is not there: %v", err)
	}
	part(long, store.PartChange{NotBefore: &tomorrow})
	house := h.house(time.Now())
	first := func(name string) string {
		h.mu.Lock()
		defer h.mu.Unlock()
		p := h.byName[name]
		s := p.dev.Snapshot()
		m := h.machine(p, &s)
		m.StartsAt, m.Plate.State = time.Time{}, queue.PlateClear
		house.Answered = true
		return h.first(&m, &house).Part
	}
	if a, b := first("Bittern"), first("Merel"); a != "placed" && a != "short" || b != "dated" {
		t.Errorf("Bittern takes %s, Merel takes %s", a, b)
	}
	house.Now = tomorrow.Add(time.Minute)
	if a := first("Bittern"); a != "long" {
		t.Errorf("tomorrow Bittern takes %s", a)
	}
}
