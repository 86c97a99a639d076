package pages_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"undercroft/web"
	"undercroft/web/webtest"
)

func lastCall(t *testing.T, house *webtest.House, want string) {
	t.Helper()
	calls := house.Calls()
	if len(calls) == 0 || calls[len(calls)-1] != want {
		t.Errorf("the house heard %q, want %q last", calls, want)
	}
}

// TestFirstStart answers the two questions before which nothing starts.
func TestFirstStart(t *testing.T) {
	house := webtest.New(evening())
	house.Change(func(v *web.View) {
		v.Hours = web.Hours{}
		v.Mishaps = nil
		for i := range v.Printers {
			p := &v.Printers[i]
			p.Phase, p.Run, p.NextStart, p.NextJob, p.Why, p.WaitsFor = "ready", nil, nil, 0, "waits for the hours to be answered", "person"
			p.Plate = web.Plate{State: "unknown", Since: v.At}
		}
	})
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	shot(t, ctx, "first-start")
	for _, must := range []string{"not a safety device", "fire", "burn on touch", "Moving parts", "licensed electrician"} {
		if got := text(t, ctx, ".ask-hours"); !strings.Contains(got, must) {
			t.Errorf("the cautions lack %q: %s", must, got)
		}
	}
	home, cold, ok := `.ask-hours .field:nth-of-type(1) input`, `.ask-hours .field:nth-of-type(2) input`, `.ask-hours [type=submit]`
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(home), "whenever"), chromedp.SendKeys(chromedp.CSS(cold), "none"), chromedp.Click(chromedp.CSS(ok)))
	await(t, ctx, `(document.querySelector(".ask-hours .wrong")?.textContent ?? "").includes("daily 07:00-22:00")`)
	do(t, ctx, chromedp.SetValue(chromedp.CSS(home), "daily 07:00-22:00"), chromedp.Click(chromedp.CSS(ok)))
	await(t, ctx, `!document.querySelector(".ask-hours")`)
	lastCall(t, house, `hours home="daily 07:00-22:00" cold="none"`)
}

// TestMishap decides twice: again at once, giving up only after a second word.
func TestMishap(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	if got := text(t, ctx, ".ask-mishap"); !strings.Contains(got, "77.4 mm") || !strings.Contains(got, "180.0 mm") {
		t.Errorf("the mishap's heights are missing: %s", got)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS(".ask-mishap summary")), chromedp.Click(chromedp.CSS(".ask-mishap .give-up")), chromedp.WaitVisible(chromedp.CSS("dialog [type=submit]")))
	shot(t, ctx, "give-up")
	do(t, ctx, chromedp.Click(chromedp.CSS("dialog .act.plain")), chromedp.WaitNotPresent(chromedp.CSS("dialog")))
	if calls := house.Calls(); len(calls) > 0 {
		t.Errorf("the house heard %q of a dialog that was left", calls)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS(".ask-mishap .again")))
	await(t, ctx, `!document.querySelector(".ask-mishap")`)
	lastCall(t, house, "decide 42 {Again:true}")
}

// TestStop stops a run; the cause is asked for.
func TestStop(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	bay := `[aria-labelledby="bay-Bittern"] `
	do(t, ctx, chromedp.Click(chromedp.CSS(bay+"summary")), chromedp.Click(chromedp.CSS(bay+".act.warn")), chromedp.WaitVisible(chromedp.CSS("dialog input")))
	if got := text(t, ctx, "dialog"); !strings.Contains(got, "Bittern") {
		t.Errorf("the dialog does not name the machine: %s", got)
	}
	do(t, ctx, chromedp.SendKeys(chromedp.CSS("dialog input"), "warped"))
	shot(t, ctx, "stop")
	do(t, ctx, chromedp.Click(chromedp.CSS("dialog [type=submit]")), chromedp.WaitNotPresent(chromedp.CSS("dialog")))
	lastCall(t, house, "stop Bittern warped")
	await(t, ctx, `document.querySelector('[aria-labelledby="bay-Bittern"]').dataset.phase === "cooling"`)
}

// TestFit notes a change of nozzle, and nothing that was not changed.
func TestFit(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	bay := `[aria-labelledby="bay-Dunlin"] `
	do(t, ctx, chromedp.Click(chromedp.CSS(bay+"summary")), chromedp.Click(chromedp.CSS(bay+".acts .act:nth-child(4)")), chromedp.WaitVisible(chromedp.CSS("dialog .field input")),
		chromedp.SetValue(chromedp.CSS("dialog .field input"), "0.8"))
	shot(t, ctx, "fit")
	do(t, ctx, chromedp.Click(chromedp.CSS("dialog [type=submit]")), chromedp.WaitNotPresent(chromedp.CSS("dialog")))
	lastCall(t, house, `fit Dunlin {"nozzle_mm":0.8}`)
}

// TestQueue opens a job's obstacles and takes a hold back and forth.
func TestQueue(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	job := func(n string) string { return `.job:nth-child(` + n + `) ` }
	do(t, ctx, chromedp.Click(chromedp.CSS(job("7")+".act")), chromedp.WaitVisible(chromedp.CSS(job("7")+".why-panel")))
	if got := text(t, ctx, job("7")+".why-panel"); !strings.Contains(got, "needs 0.8 mm nozzle, 0.4 is fitted") || !strings.Contains(got, "could take it now") {
		t.Errorf("why: %s", got)
	}
	shot(t, ctx, "why")
	do(t, ctx, chromedp.Click(chromedp.CSS(job("7")+".job-changes .act")))
	await(t, ctx, `document.querySelector(".job:nth-child(7)").dataset.state === "on-hold"`)
	lastCall(t, house, "hold 47")

	// A long queue is shown in part, until asked for.
	house.Change(func(v *web.View) {
		for id := int64(200); id < 260; id++ {
			v.Jobs = append(v.Jobs, web.Job{ID: id, State: "queued", Part: "Feather"})
		}
	})
	await(t, ctx, `document.querySelectorAll(".job").length === 14`)
	do(t, ctx, chromedp.Click(chromedp.CSS(".queue-more")))
	await(t, ctx, `document.querySelectorAll(".job").length === 68`)
}

// TestFiles adds a good file and a bad one.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	good, bad := filepath.Join(dir, "lamp-foot.gcode"), filepath.Join(dir, "photo.gcode")
	for name, content := range map[string]string{good: "G28\nG1 X10 F3000\n", bad: "\xff\xd8\xff\xe0"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("#file-pick"), []string{good, bad}))
	await(t, ctx, `document.querySelectorAll('.uploads [data-state="added"], .uploads [data-state="refused"]').length === 2`)
	got := text(t, ctx, ".uploads")
	for _, must := range []string{"job 108", "line 12:", "was refused; nothing was stored", "line 88: X 312 mm is beyond the bed"} {
		if !strings.Contains(got, must) {
			t.Errorf("the files lack %q: %s", must, got)
		}
	}
	await(t, ctx, `document.querySelectorAll(".job").length === 9`)
	shot(t, ctx, "files")
}

// TestNoMarkup gives names that would be markup; none of them may become any.
func TestNoMarkup(t *testing.T) {
	const evil = `<img src=x onerror="document.title='owned'"><script>document.title='owned'</script>`
	house := webtest.New(evening())
	house.Change(func(v *web.View) {
		v.Title = evil
		for i := range v.Printers {
			p := &v.Printers[i]
			p.Why, p.Kind, p.Spool.Colour, p.Plate.Surface, p.Plate.Part, p.Firmware = evil, evil, evil, evil, evil, evil
		}
		for i := range v.Jobs {
			v.Jobs[i].Part, v.Jobs[i].Note, v.Jobs[i].Warnings = evil, evil, []string{evil}
		}
		v.Mishaps[0].Part, v.Mishaps[0].Text, v.Mishaps[0].Cause = evil, evil, evil
		v.Circuits[0].Name = evil
	})
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	watch := complaints(ctx)
	open(t, ctx, ts.URL)
	time.Sleep(200 * time.Millisecond) // a broken picture would load now
	if n := get(t, ctx, chromedp.Evaluate[int](`document.querySelectorAll("img:not([src='/static/mark.svg']), main script").length`)); n != 0 {
		t.Errorf("%d elements came out of names", n)
	}
	if got := text(t, ctx, "#title"); got != evil {
		t.Errorf("the title reads %q", got)
	}
	for _, c := range watch() {
		t.Errorf("the browser complains: %s", c)
	}
}

// TestEmptyHouse shows what to do where there is nothing yet.
func TestEmptyHouse(t *testing.T) {
	house := webtest.New(evening())
	house.Change(func(v *web.View) { *v = web.View{At: v.At, Pace: 1, Hours: v.Hours} })
	ts := serve(t, web.Options{House: house})
	ctx := tab(t, 390, 844, true)
	open(t, ctx, ts.URL)
	shot(t, ctx, "empty")
	got := text(t, ctx, "main")
	for _, must := range []string{"No printers yet", "Nothing waits", "Add G-code files"} {
		if !strings.Contains(got, must) {
			t.Errorf("the empty page lacks %q: %s", must, got)
		}
	}
	// And everything may come later, all at once.
	house.Change(func(v *web.View) { *v = webtest.Scene(v.At) })
	await(t, ctx, `document.querySelectorAll(".bay").length === 5 && document.querySelectorAll(".job").length === 8`)
}

// TestLiveForm changes the house while a form is half filled.
func TestLiveForm(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	do(t, ctx, chromedp.Click(chromedp.CSS(`[aria-labelledby="plate-Curlew"] [name=empty]`)))
	house.Change(func(v *web.View) {
		run := *v.Printers[0].Run
		run.CompletedMM, run.LayersDone = 211.2, 660
		v.Printers[0].Run = &run
		v.Printers[1].Heaters = []web.Heater{{Name: "T0", ActualC: 29}, {Name: "B", ActualC: 25}}
	})
	await(t, ctx, `document.querySelector('[aria-labelledby="bay-Bittern"] .done').textContent === "211.2"`)
	if !get(t, ctx, chromedp.Evaluate[bool](`document.querySelector('[aria-labelledby="plate-Curlew"] [name=empty]').checked`)) {
		t.Error("a change elsewhere emptied the form")
	}
	// Something before it goes away: the hand on the keyboard must not feel it.
	do(t, ctx, chromedp.Focus(chromedp.CSS(`[aria-labelledby="plate-Curlew"] [name=surface]`)))
	house.Change(func(v *web.View) { v.Printers[2].NextStart, v.Printers[2].NextJob = nil, 0 })
	await(t, ctx, `!document.getElementById("countdown-Dunlin")`)
	if !get(t, ctx, chromedp.Evaluate[bool](`document.activeElement.name === "surface"`)) {
		t.Error("a change elsewhere took the focus")
	}
	// The outline was not sent again, and is still drawn.
	if d := get(t, ctx, chromedp.Evaluate[string](`document.querySelector('[aria-labelledby="bay-Bittern"] .piece-laid').getAttribute("d")`)); len(d) < 200 {
		t.Errorf("the silhouette is lost: %q", d)
	}
}

// TestMerge has the page's own code put many changes together, and compares what
// comes out with the house.
func TestMerge(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	do(t, ctx, chromedp.Func(evaluate(`import("/static/live.js").then(({merge}) => {
		const s = new WebSocket(location.href.replace("http", "ws") + "api/live");
		window.seen = {count: 0, view: null};
		s.onmessage = e => {
			const m = JSON.parse(e.data);
			if (m.type === "snapshot") seen.view = m.view;
			if (m.type === "change") { merge(seen.view, m); seen.count++; }
		};
	})`)))
	await(t, ctx, `!!window.seen?.view`)
	random := rand.New(rand.NewPCG(8, 2026))
	for i := range 60 {
		house.Change(func(v *web.View) {
			p := &v.Printers[random.IntN(len(v.Printers))]
			switch random.IntN(8) {
			case 0:
				run := web.Run{ID: int64(random.IntN(3)), Outline: webtest.Outline("beak"), CompletedMM: float64(i)}
				p.Run = &run
			case 1:
				p.Run = nil
			case 2:
				p.Plate.RunID, p.Plate.Outline = int64(random.IntN(2)), webtest.Outline("ribs")
			case 3:
				v.Jobs = append(v.Jobs, web.Job{ID: int64(300 + i), State: "queued", Part: fmt.Sprint("feather ", i)})
			case 4:
				v.Jobs = slices.Delete(slices.Clone(v.Jobs), 0, min(1, len(v.Jobs)))
			case 5:
				v.Jobs = slices.Clone(v.Jobs)
				random.Shuffle(len(v.Jobs), func(a, b int) { v.Jobs[a], v.Jobs[b] = v.Jobs[b], v.Jobs[a] })
			case 6:
				v.Tally.PiecesDone++
				p.Why = fmt.Sprint("step ", i)
			case 7:
				v.Printers = slices.Clone(v.Printers)
				random.Shuffle(len(v.Printers), func(a, b int) { v.Printers[a], v.Printers[b] = v.Printers[b], v.Printers[a] })
			}
		})
		time.Sleep(time.Duration(random.IntN(60)) * time.Millisecond)
	}
	house.Change(func(v *web.View) { v.Title = "the last" })
	await(t, ctx, `seen.view.title === "the last"`)
	got := get(t, ctx, chromedp.Evaluate[string](`JSON.stringify(seen.view)`))
	v, err := house.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var seen web.View
	if err := json.Unmarshal([]byte(got), &seen); err != nil {
		t.Fatal(err)
	}
	want, _ := json.Marshal(v)
	have, _ := json.Marshal(seen)
	if string(have) != string(want) {
		t.Errorf("seed 8, 2026: the page has\n%s\nand the house\n%s", have, want)
	}
}

// TestKeyboard answers the plate question without a mouse.
func TestKeyboard(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	tabTo := func(name string) {
		t.Helper()
		for range 40 {
			do(t, ctx, chromedp.KeyEvent(kb.Tab))
			if get(t, ctx, chromedp.Evaluate[bool](`document.activeElement.matches('[aria-labelledby="plate-Curlew"] `+name+`')`)) {
				if get(t, ctx, chromedp.Evaluate[string](`getComputedStyle(document.activeElement).outlineStyle`)) == "none" {
					t.Errorf("no visible focus on %s", name)
				}
				return
			}
		}
		t.Fatalf("the keyboard does not reach %s", name)
	}
	tabTo("[name=empty]")
	do(t, ctx, chromedp.KeyEvent(" "))
	tabTo("[name=seated]")
	do(t, ctx, chromedp.KeyEvent(" "))
	tabTo("[type=submit]")
	do(t, ctx, chromedp.KeyEvent(kb.Enter))
	await(t, ctx, `!!document.getElementById("countdown-Curlew")`)
	lastCall(t, house, `cleared Curlew empty=true seated=true surface="smooth" good=all`)
}

// targets measures what fingers must hit: 44 CSS px, by the target size of WCAG
// 2.2's success criterion 2.5.5; a label counts with what it labels. A link in
// a line of text is left out, as there.
func targets(t *testing.T, ctx context.Context) {
	t.Helper()
	small := get(t, ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll("button, summary, input:not(.unseen), select, label.act, .ways a, a.act")]
		.map(e => [e, (e.closest("label") ?? e).getBoundingClientRect()]).filter(([e, r]) => r.width > 0 && (r.width < 43.5 || r.height < 43.5))
		.map(([e, r]) => e.outerHTML.slice(0, 80) + " " + r.width + "x" + r.height)`))
	for _, s := range small {
		t.Errorf("too small to hit: %s", s)
	}
}

// TestStale stops the daemon under the page, and starts it again.
func TestStale(t *testing.T) {
	house := webtest.New(evening())
	srv, err := web.New(web.Options{House: house, Listen: "127.0.0.1:0", Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	l, err := srv.Listen()
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	run := func() (stop func()) {
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- srv.Serve(ctx, l) }()
		return func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
	}
	stop := run()
	ctx := desk(t)
	open(t, ctx, "http://"+address)
	stop()
	await(t, ctx, `!document.getElementById("stale").hidden`)
	if got := text(t, ctx, "#stale"); !strings.Contains(got, "Stale since") {
		t.Errorf("the sign reads %q", got)
	}
	// A countdown that nobody can see must not look like time left.
	if got := text(t, ctx, ".ask-countdown"); !strings.Contains(got, "may start at any moment") {
		t.Errorf("the countdown reads %q", got)
	}
	shot(t, ctx, "stale")

	house.Change(func(v *web.View) { v.Title = "Two herons" })
	srv, err = web.New(web.Options{House: house, Listen: address, Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	if l, err = srv.Listen(); err != nil {
		t.Fatal(err)
	}
	defer run()()
	await(t, ctx, `document.getElementById("stale").hidden && document.getElementById("title").textContent === "Two herons"`)
}

// TestLogIn comes in by the form where people are written down.
func TestLogIn(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house, Book: webtest.Book(t)})
	ctx := tab(t, 390, 844, true)
	do(t, ctx, chromedp.Navigate(ts.URL), chromedp.SendKeys(chromedp.CSS("#name"), "Wim"), chromedp.SendKeys(chromedp.CSS("#password"), "a guess, a long one"), chromedp.Click(chromedp.CSS("button")), chromedp.WaitVisible(chromedp.CSS(".wrong")))
	shot(t, ctx, "log-in")
	do(t, ctx, chromedp.SendKeys(chromedp.CSS("#name"), "Wim"), chromedp.SendKeys(chromedp.CSS("#password"), webtest.Password), chromedp.Click(chromedp.CSS("button")), chromedp.WaitVisible(chromedp.CSS("#arcade .bay")))
	await(t, ctx, `document.body.hasAttribute("data-ready")`)
	do(t, ctx, chromedp.Click(chromedp.CSS(`[aria-labelledby="countdown-Dunlin"] button`)))
	await(t, ctx, `!document.getElementById("countdown-Dunlin")`)
	lastCall(t, house, "not-yet Dunlin")
	do(t, ctx, chromedp.Click(chromedp.CSS(".leave button")), chromedp.WaitVisible(chromedp.CSS("#name")))
	do(t, ctx, chromedp.Navigate(ts.URL), chromedp.WaitVisible(chromedp.CSS("#name")))
}

// TestWatch comes in as somebody who may only look: nothing is offered that
// changes something, and the page says so.
func TestWatch(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house, Book: webtest.Book(t)})
	ctx := tab(t, 390, 844, true)
	do(t, ctx, chromedp.Navigate(ts.URL), chromedp.SendKeys(chromedp.CSS("#name"), "Noor"), chromedp.SendKeys(chromedp.CSS("#password"), webtest.Password), chromedp.Click(chromedp.CSS("button")), chromedp.WaitVisible(chromedp.CSS("#watching")))
	await(t, ctx, `document.body.hasAttribute("data-ready")`)
	do(t, ctx, chromedp.Func(evaluate(`document.querySelectorAll("details").forEach(d => d.open = true)`)))
	offered := get(t, ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll("main :is(button, input, select, textarea):not(.looks), #cool")].filter(e => e.checkVisibility()).map(e => e.outerHTML)`))
	for _, o := range offered {
		t.Errorf("offered to somebody who may only watch: %s", o)
	}
}

// TestReprint takes a mishap to a queued remainder, as somebody does at midnight
// with a phone: measured, looked at, said.
func TestReprint(t *testing.T) {
	house := webtest.New(evening())
	ts := serve(t, web.Options{House: house})
	ctx := tab(t, 390, 844, true)
	mediaScheme(t, ctx, "dark")
	open(t, ctx, ts.URL+"/mishaps")
	button := func(words string) {
		t.Helper()
		js := `[...document.querySelectorAll(".case button")].find(b => b.checkVisibility() && b.textContent.startsWith("` + words + `"))`
		await(t, ctx, "!!"+js)
		do(t, ctx, chromedp.Func(evaluate(js+".click()")))
	}
	button("Print only what is missing")
	shot(t, ctx, "reprint-1")
	button("See what that means")
	await(t, ctx, `document.querySelector(".steps .wrong").textContent.includes("such as 77.4")`)
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`.steps .how input[type="text"]`), "77.3 77,2 77.1"))
	button("See what that means")
	await(t, ctx, `document.querySelector(".steps")?.textContent.includes("2 of 3")`)
	got := text(t, ctx, ".steps")
	for _, must := range []string{"Cut at 77.2 mm", "what you measured is what is there", "recommended", "5 h 18 min", "94 g", "11 %", "glue it on at 77.4 mm", "not possible", "clean the plate well"} {
		if !strings.Contains(got, must) {
			t.Errorf("the second step lacks %q: %s", must, got)
		}
	}
	if n := get(t, ctx, chromedp.Evaluate[int](`document.querySelectorAll(".cut svg rect").length + 100 * document.querySelectorAll(".cut script").length`)); n != 2 {
		t.Errorf("the drawing has %d shapes, or a script, want 2", n)
	}
	violations(t, ctx)
	targets(t, ctx)
	shot(t, ctx, "reprint-2")
	button("Print what is missing")
	shot(t, ctx, "reprint-3")
	if calls := house.Calls(); !strings.Contains(calls[len(calls)-1], "Confirm:false") {
		t.Errorf("something was queued before it was confirmed: %q", calls)
	}
	button("Queue what is missing")
	await(t, ctx, `document.querySelector(".steps").textContent.includes("Job 130")`)
	if calls := house.Calls(); !strings.Contains(calls[len(calls)-1], "Confirm:true") || !strings.Contains(calls[len(calls)-1], "77.2") {
		t.Errorf("the house heard %q last", calls[len(calls)-1])
	}
	// What was queued stays in sight, although nothing is left to decide.
	house.Change(func(v *web.View) {
		for i := range v.Jobs {
			if j := &v.Jobs[i]; j.ID == 130 {
				j.State = "awaits-yield"
			}
		}
	})
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(".ask-join .act")), chromedp.Click(chromedp.CSS(".ask-join .act")))
	await(t, ctx, `!document.querySelector(".ask-join .act[aria-busy]")`)
	lastCall(t, house, "joined 130 {Good:true}")
}

// TestHeld answers a held run and a first layer.
func TestHeld(t *testing.T) {
	house := webtest.New(evening())
	house.Change(func(v *web.View) {
		v.Printers[0].Phase, v.Printers[0].Held = "paused", &web.Held{By: "firmware", Since: v.At, Filament: true, Step: "waits"}
		run := *v.Printers[4].Run
		run.Eyes = "asked"
		v.Printers[4].Run, v.Printers[4].Phase = &run, "printing"
	})
	ts := serve(t, web.Options{House: house})
	ctx := tab(t, 390, 844, true)
	open(t, ctx, ts.URL)
	shot(t, ctx, "held")
	violations(t, ctx)
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`.ask-held input[type="number"]`), "5"), chromedp.Click(chromedp.CSS(".ask-held [type=submit]")))
	await(t, ctx, `!document.querySelector(".ask-held")`)
	lastCall(t, house, `loaded Bittern {"spool":5}`)
	do(t, ctx, chromedp.Click(chromedp.CSS(".ask-eyes .act")))
	await(t, ctx, `!document.querySelector(".ask-eyes")`)
	lastCall(t, house, "eyes Merel true")
}
