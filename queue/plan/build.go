package plan

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// nearMin is how far ahead a start is about to be: it stays where it was planned
// unless another is worth it.
const nearMin = 120

// Make plans a house. before is the plan so far, or nil: with it the search is
// warm, and what is about to start does not flutter. It never fails: what cannot be
// planned is left out and named.
func Make(h *House, before *Plan, o Options) *Plan {
	began := time.Now()
	m := buildHouse(h, before, 0)
	best, tried := m.solve(o, began)
	if best.lost > 0 {
		if full := m.lastMinute(); full > int32(len(m.rules.nextHome)) {
			m = buildHouse(h, before, full)
			best, tried = m.solve(o, began)
		}
	}
	return m.plan(best, tried)
}

// lastMinute is the end of all home hours.
func (m *model) lastMinute() int32 {
	last := 0
	for _, p := range m.house.People {
		for _, w := range p.Home {
			last = max(last, w[1])
		}
	}
	return int32(min(last, maxMinute))
}

// buildHouse lays out a house for the engine. horizon 0 is one that is likely to
// do.
func buildHouse(h *House, before *Plan, horizon int32) *model {
	m := &model{printer: map[string]int{}, house: h, before: before, rules: &rules{handsMin: int32(h.HandsMin)}}
	r := m.rules
	r.change = [3]int32{int32(h.ChangeMin.Nozzle), int32(h.ChangeMin.Spool), int32(h.ChangeMin.Plate)}
	homes := make([][]Window, len(h.People))
	for k, p := range h.People {
		homes[k] = union(slices.Clone(p.Home))
	}
	starts := func(hands int) (spans []Window) {
		for _, w := range homes {
			spans = append(spans, startSpans(w, hands)...)
		}
		return union(spans)
	}
	usual := starts(h.HandsMin)
	in := &instance{m: len(h.Machines)}
	m.in = in
	circuits := map[string]int{}
	for k, c := range h.Circuits {
		circuits[c.Name] = k
		r.heat = append(r.heat, int32(min((max(c.HeatMin, 1)+slotMin-1)/slotMin, longestRun)))
		r.atOnce = append(r.atOnce, int32(c.AtOnce))
	}
	ids := map[string]int32{"": 0}
	id := func(kind, s string) int32 {
		if s == "" {
			return 0
		}
		s = kind + s
		if _, ok := ids[s]; !ok {
			ids[s] = int32(len(ids))
		}
		return ids[s]
	}
	fit := func(f Fit) [3]int32 { return [3]int32{id("n", f.Nozzle), id("s", f.Spool), id("p", f.Plate)} }
	for i, x := range h.Machines {
		m.printer[x.Name] = i
		m.always = append(m.always, x.SelfClearing)
		m.spans = append(m.spans, usual)
		in.ready = append(in.ready, int32(max(x.ReadyMin, 0)))
		in.base = max(in.base, int32(x.RunningEnds))
		r.fitted = append(r.fitted, fit(x.Fit))
		r.always = append(r.always, x.SelfClearing)
		c, ok := circuits[x.Circuit]
		if !ok || x.Circuit == "" {
			c = -1
		}
		r.circuit = append(r.circuit, int32(c))
		r.pinned = append(r.pinned, -1)
	}
	if len(usual) == 0 && slices.Contains(m.always, false) {
		m.notes = append(m.notes, "there are no home hours at all: nobody can start a job on a printer that does not clear itself")
	}
	m.takeTasks(h, usual)
	if horizon == 0 {
		horizon = min(m.horizon(), max(m.lastMinute(), 1440))
		if slices.Contains(m.always, true) {
			horizon = m.horizon()
		}
		horizon += horizon/2 + 2880
	}
	m.layTables(horizon)
	in.slotMin, in.slots = 0, 0
	m.layRules(h, homes, starts, horizon, fit)
	m.pin()
	return m
}

// takeTasks fills the instance with what can be planned and names the rest.
func (m *model) takeTasks(h *House, usual []Window) {
	in := m.in
	warmest := longestGap(h.Cold)
	partAt := map[string]map[int][]int32{}
	var minutes []int32 // by job and printer in who
	startable := make([]bool, in.m)
	for i := range startable {
		startable[i] = m.printer[h.Machines[i].Name] == i && nextIn(usual, m.always[i], in.ready[i]) < never
	}
	for k := range h.Tasks {
		t := &h.Tasks[k]
		var who []int32
		why := "no printer can take it"
		for i := range h.Machines {
			x, ok := t.On[h.Machines[i].Name]
			switch {
			case !ok:
			case !startable[i]:
				why = "no home hour is left on any printer that can take it"
			case x.Mean > warmest:
				why = fmt.Sprintf("it takes %s, the cold hours leave %s at most", spell(x.Mean), spell(warmest))
			default:
				who = append(who, int32(i))
				minutes = append(minutes, int32(max(x.Mean, 1)))
			}
		}
		if len(who) == 0 {
			m.leftOut = append(m.leftOut, LeftOut{t.ID, why})
			continue
		}
		j := int32(len(m.jobs))
		in.who = append(in.who, who)
		m.jobs = append(m.jobs, k)
		if t.Part != "" {
			if partAt[t.Part] == nil {
				partAt[t.Part] = map[int][]int32{}
			}
			partAt[t.Part][t.Way] = append(partAt[t.Part][t.Way], j)
		}
	}
	in.n = len(m.jobs)
	in.dur = make([]int32, in.n*in.m)
	for i := range in.dur {
		in.dur[i] = -1
	}
	in.partOf, in.wayOf = make([]int32, in.n), make([]int32, in.n)
	for j := range in.n {
		for k, i := range in.who[j] {
			in.dur[int(i)*in.n+j] = minutes[k]
		}
		minutes = minutes[len(in.who[j]):]
		in.partOf[j] = -1
	}
	in.sortByDur()
	for _, name := range slices.Sorted(maps.Keys(partAt)) {
		ways := partAt[name]
		if len(ways) < 2 {
			continue
		}
		var p part
		for _, w := range slices.Sorted(maps.Keys(ways)) {
			for _, j := range ways[w] {
				in.partOf[j], in.wayOf[j] = int32(len(in.parts)), int32(len(p.ways))
			}
			p.ways = append(p.ways, ways[w])
		}
		in.parts = append(in.parts, p)
	}
}

// longestGap is the longest time that the cold hours leave, up to their end.
func longestGap(cold []Window) int {
	longest, at := 0, 0
	if len(cold) == 0 {
		return maxMinute
	}
	for _, w := range union(slices.Clone(cold)) {
		longest = max(longest, w[0]-at)
		at = w[1]
	}
	return longest
}

func (m *model) layRules(h *House, homes [][]Window, starts func(int) []Window, horizon int32, fit func(Fit) [3]int32) {
	r, in := m.rules, m.in
	for _, base := range []int32{0, r.handsMin} {
		for set := range 8 {
			hands := base
			for k, c := range r.change {
				if set>>k&1 == 1 {
					hands += c
				}
			}
			for int(hands) >= len(r.att) {
				r.att = append(r.att, nil)
			}
			if r.att[hands] == nil {
				r.att[hands] = tableOf(starts(int(hands)), false, horizon)
			}
		}
	}
	r.nextHome = tableOf(starts(0), false, horizon)
	if len(h.Cold) > 0 {
		cold := union(slices.Clone(h.Cold))
		r.nextCold = tableOf(cold, false, horizon)
		r.warm = tableOf(nil, true, horizon)
		for t := horizon - 1; t >= 0; t-- {
			if r.nextCold[t] == t {
				r.warm[t] = never
				if t+1 < horizon {
					r.warm[t] = r.warm[t+1]
				}
			}
		}
	}
	r.lastSlot = horizon/slotMin + 1
	r.capHands = make([]int32, r.lastSlot)
	for _, home := range homes {
		for _, w := range home {
			for t := max(w[0], 0); t < min(w[1], int(horizon)); t++ {
				r.capHands[t/slotMin]++
			}
		}
	}
	r.lastSlot = horizon / slotMin
	r.longest = int32(len(r.att)-1)/slotMin + 1
	for _, h := range r.heat {
		r.longest = max(r.longest, h)
	}
	for j := range in.n {
		t := &h.Tasks[m.jobs[j]]
		r.fit = append(r.fit, fit(t.Fit))
		r.fits = r.fits || t.Fit != Fit{}
		r.cool = append(r.cool, int32(max(t.CoolMin, 0)))
		r.eyes = append(r.eyes, int32(max(t.EyesMin, 0)))
		var calls []int32
		for _, c := range t.Calls {
			calls = append(calls, int32(c))
		}
		r.calls = append(r.calls, calls)
		r.due = append(r.due, int32(max(t.DueMin, 0)))
		r.first = append(r.first, float64(max(t.First, 0)))
		r.dated = r.dated || t.DueMin > 0 || t.First > 0
		r.width = append(r.width, 0)
	}
	m.layRisk(h)
	m.boundBy()
}

// widths are the half-widths of the error of an end, in minutes, for which the
// wait to expect is tabulated.
var widths = []int32{15, 30, 60, 120, 240, 480}

// layRisk tabulates how much longer than planned a plate waits for hands on
// average when its end is off by up to a width either way, evenly: E[next(t+ε)] −
// next(t+E[ε]). What ends just before the last hour of the evening costs a night
// when it is late.
func (m *model) layRisk(h *House) {
	r, in := m.rules, m.in
	any := false
	for j := range in.n {
		half := int32(0)
		for _, x := range h.Tasks[m.jobs[j]].On {
			half = max(half, int32(x.High-x.Low)/2)
		}
		if half < widths[0]/2 {
			continue
		}
		any = true
		for k, w := range widths {
			if half >= w*3/4 {
				r.width[j] = int32(k) + 1
			}
		}
	}
	if !any {
		return
	}
	tab := r.att[r.handsMin]
	n := int32(len(tab))
	sum := make([]int64, n+1) // of next(t) - t where it is known
	for t := range n {
		wait := int64(0)
		if tab[t] < never {
			wait = int64(tab[t] - t)
		}
		sum[t+1] = sum[t] + wait
	}
	r.wide = append(r.wide, make([]int32, n))
	for _, w := range widths {
		wide := make([]int32, n)
		for t := range n {
			a, b := max(0, t-w), min(n, t+w+1)
			mean := (sum[b] - sum[a]) / int64(b-a)
			if tab[t] < never {
				wide[t] = int32(mean) - (tab[t] - t)
			}
		}
		r.wide = append(r.wide, wide)
	}
}

// boundBy is the plain problem of those jobs that are made in any case, without
// all that only makes a house harder: its bound is one of the house's.
func (m *model) boundBy() {
	in := m.in
	b := &model{spans: m.spans, always: m.always, in: &instance{m: in.m, ready: in.ready, table: in.table}}
	var keep []int32
	for j := range int32(in.n) {
		if in.partOf[j] < 0 {
			keep = append(keep, j)
		}
	}
	b.in.n = len(keep)
	b.in.dur = make([]int32, in.m*len(keep))
	for k, j := range keep {
		b.in.who = append(b.in.who, in.who[j])
		for i := range in.m {
			b.in.dur[i*len(keep)+k] = in.dur[i*in.n+int(j)]
		}
	}
	b.in.sortByDur()
	m.bounds = b
}

// pin notes what the plan so far starts soon.
func (m *model) pin() {
	if m.before == nil {
		return
	}
	shift := int(m.house.Now.Sub(m.before.Now).Minutes())
	at := m.byID()
	for _, s := range m.before.Steps {
		j, ok := at[s.Task]
		i, there := m.printer[s.Machine]
		if ok && there && s.StartMin-shift <= nearMin && m.rules.pinned[i] < 0 && m.in.dur[i*m.in.n+int(j)] >= 0 {
			m.rules.pinned[i] = j
		}
	}
}

func (m *model) byID() map[string]int32 {
	at := map[string]int32{}
	for j, k := range m.jobs {
		at[m.house.Tasks[k].ID] = int32(j)
	}
	return at
}

// warm puts the plan so far into an engine: what is still wanted in its order and
// where it can at its time, what is new where it costs least.
func (m *model) warm(e *engine) {
	at := m.byID()
	for p := range e.parts {
		for w, jobs := range e.parts[p].ways {
			if k, ok := m.before.ways[m.house.Tasks[m.jobs[jobs[0]]].Part]; ok && k == m.house.Tasks[m.jobs[jobs[0]]].Way {
				e.way[p] = int32(w)
			}
		}
	}
	seq, wish := make([][]int32, e.m), make([][]int32, e.m)
	placed := make([]bool, e.n)
	shift := int(m.house.Now.Sub(m.before.Now).Minutes())
	for _, step := range m.before.Steps { // by start, so that each printer's are in order
		j, ok := at[step.Task]
		i, there := m.printer[step.Machine]
		if !ok || !there || placed[j] || !e.wanted(j) || e.dur[i*e.n+int(j)] < 0 {
			continue
		}
		placed[j] = true
		seq[i], wish[i] = append(seq[i], j), append(wish[i], int32(step.StartMin-shift))
	}
	e.unfold(seq, wish)
	for k := e.n - 1; k >= 0; k-- {
		if j := e.byDur[k]; !placed[j] && e.wanted(j) {
			e.insert(j, 0)
		}
	}
	for range 2 { // what an event has left open is taken up
		for i := range e.m {
			e.same(&e.a, i, 0)
			e.try(false, 0)
		}
	}
	e.target = float64(e.span())
	e.reprice()
}

// spell writes minutes as 3 h 05 min.
func spell(min int) string {
	switch {
	case min < 60:
		return fmt.Sprintf("%d min", min)
	case min%60 == 0:
		return fmt.Sprintf("%d h", min/60)
	}
	return fmt.Sprintf("%d h %02d min", min/60, min%60)
}

// plan puts a solution into words and times.
func (m *model) plan(s *solution, tried int) *Plan {
	h := m.house
	p := &Plan{Now: h.Now, Parts: map[string]int{}, LeftOut: m.leftOut, Notes: m.notes, Tried: tried, ways: map[string]int{}}
	e := m.engine(0)
	if m.in.n > 0 {
		e.load(s)
	}
	type place struct{ i, k int }
	var order []place
	for i := range e.m {
		for k := range e.seq[i] {
			order = append(order, place{i, k})
		}
	}
	slices.SortStableFunc(order, func(a, b place) int { return int(e.start[a.i][a.k] - e.start[b.i][b.k]) })
	fits := slices.Clone(m.rules.fitted)
	free := slices.Clone(m.in.ready)
	for _, o := range order {
		j := e.seq[o.i][o.k]
		t := &h.Tasks[m.jobs[j]]
		s := e.start[o.i][o.k]
		if s >= never {
			p.LeftOut = append(p.LeftOut, LeftOut{t.ID, "the home hours known end before it could start"})
			continue
		}
		hands, _, after := m.rules.need(j, fits[o.i], m.always[o.i])
		dur := m.in.dur[o.i*m.in.n+int(j)]
		if m.always[o.i] {
			dur += hands
		} else {
			dur += hands - m.rules.handsMin
		}
		// Once more, with everything else in place: what binds, and perhaps sooner.
		var why binding
		e.rules.book(o.i, s, hands, -1)
		if again := e.rules.begin(o.i, j, free[o.i], hands, dur, &why); again < s {
			s = again
		}
		e.rules.book(o.i, s, hands, 1)
		step := Step{Task: t.ID, Part: t.Part, Assembly: t.Assembly, Machine: h.Machines[o.i].Name,
			StartMin: int(s), EndMin: int(s + dur), FreeMin: int(s + dur + m.rules.cool[j]), HandsMin: int(hands), Attended: hands > 0 || !m.always[o.i]}
		for k, what := range [3][2]string{{"nozzle", t.Fit.Nozzle}, {"spool", t.Fit.Spool}, {"plate", t.Fit.Plate}} {
			if after[k] != fits[o.i][k] {
				step.Changes = append(step.Changes, what[0]+" "+what[1])
			}
		}
		for _, c := range t.Calls {
			step.Calls = append(step.Calls, int(s)+c)
		}
		if t.DueMin > 0 {
			step.LateMin = max(0, step.EndMin-t.DueMin)
		}
		step.Wait = m.wait(o.i, j, int(free[o.i]), &why, o.k, p)
		fits[o.i] = after
		free[o.i] = int32(step.FreeMin)
		p.Steps = append(p.Steps, step)
		p.LateMin += step.LateMin
		p.DoneMin = max(p.DoneMin, step.EndMin)
		if t.Assembly != "" {
			p.Parts[t.Assembly] = max(p.Parts[t.Assembly], step.EndMin)
		}
		p.ways[t.Part] = t.Way
	}
	p.DoneMin = max(p.DoneMin, int(m.in.base))
	slices.SortStableFunc(p.Steps, func(a, b Step) int { return a.StartMin - b.StartMin })
	p.BoundMin = min(int(m.lower.Load()), p.DoneMin)
	return p
}

// wait puts into words what a step waits for.
func (m *model) wait(i int, j int32, free int, why *binding, k int, p *Plan) Wait {
	h := m.house
	name := h.Machines[i].Name
	w := Wait{FromMin: free, Cause: why.cause}
	at := func(min int32) string { return h.Now.Add(time.Duration(min) * time.Minute).Format("Mon 15:04") }
	switch why.cause {
	case CauseNone:
		switch {
		case free == 0:
			return w
		case k == 0 && h.Machines[i].Running != "":
			w.Cause, w.Text = CausePrinter, fmt.Sprintf("%s prints %s and is free at %s", name, h.Machines[i].Running, at(int32(free)))
		case k == 0:
			w.Cause, w.Text = CausePrinter, fmt.Sprintf("%s is ready at %s", name, at(int32(free)))
		default:
			last := ""
			for _, s := range p.Steps {
				if s.Machine == name {
					last = s.Task
				}
			}
			w.Cause, w.Text = CausePrinter, fmt.Sprintf("%s prints %s and can be cleared at %s", name, last, at(int32(free)))
		}
	case CauseNobody:
		w.Text = fmt.Sprintf("nobody clears the plate of %s before %s", name, at(why.until))
	case CauseCold:
		w.Text = fmt.Sprintf("it would run into cold hours; those end at %s", at(why.until))
	case CauseEyes:
		w.Text = fmt.Sprintf("nobody would see its first layer if it started before %s", at(why.until))
	case CauseCall:
		w.Text = fmt.Sprintf("nobody would be there for its change in mid-print if it started before %s", at(why.until))
	case CauseHands:
		w.Text = fmt.Sprintf("the hands are at other printers until %s", at(why.until))
	case CauseCircuit:
		w.Text = fmt.Sprintf("circuit %s is full until %s", h.Machines[i].Circuit, at(why.until))
	}
	if len(m.in.who[j]) == 1 {
		w.Text += "; only " + name + " takes it"
	}
	w.Text = strings.TrimPrefix(w.Text, "; ")
	return w
}
