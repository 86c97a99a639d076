package pages_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"undercroft/web"
	"undercroft/web/webtest"
)

// heron is the house of paper with the whole lantern, a printer without a link
// and a half that waits for its glue.
func heron() *webtest.House {
	at := evening()
	house := webtest.New(at)
	house.SetBuild(webtest.Heron(at))
	house.Change(func(v *web.View) {
		for i := range v.Jobs {
			v.Jobs[i].Build, v.Jobs[i].Priority = "Heron lantern", "normal"
		}
		v.Printers = append(v.Printers, web.Printer{Name: "Bench", Kind: "by-hand", Phase: "ready", Plate: web.Plate{State: "clear"}})
		v.Printers[0].Spool.Short = &web.Short{Layer: 812, Layers: 1150, TopMM: 259.8, At: at.Add(150 * 60e9)}
		v.Circuits[0].Leases = []web.Lease{{Printer: "Bittern", W: 410, Hot: true}, {Printer: "Curlew", W: 200, Hot: true}}
		v.Circuits[1].Leases = []web.Lease{{Printer: "Merel", W: 690}, {Printer: "Dunlin", W: 600, Hot: true}}
		v.Jobs = append(v.Jobs,
			web.Job{ID: 60, State: "queued", Part: "Crest pin", Assembly: "Head", Kind: "by-hand", Build: "Heron lantern", Pieces: 3, EstimateS: 1800, Priority: "normal"},
			web.Job{ID: 61, State: "awaits-yield", Part: "Neck segment 2", Assembly: "Neck", Kind: "fen-small", Build: "Heron lantern", Pieces: 1, RemainderOf: 33, Priority: "normal"})
	})
	return house
}

// press activates a control as a keyboard does.
func press(css string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		return chromedp.Do(ctx, chromedp.Focus(chromedp.CSS(css)), chromedp.KeyEvent(kb.Enter))
	})
}

const inDialog = "dialog[open] "

// confirm sends the dialog's form and waits until it is gone.
func confirm(t *testing.T, ctx context.Context) {
	t.Helper()
	do(t, ctx, press(inDialog+"[type=submit]"))
	await(t, ctx, `!document.querySelector("dialog[open]")`)
}

func heard(t *testing.T, house *webtest.House, want string) {
	t.Helper()
	if calls := house.Calls(); !slices.Contains(calls, want) {
		t.Errorf("the house heard %q; want %q among it", calls, want)
	}
}

// TestBuildBoard draws every piece that is wanted, each by its state.
func TestBuildBoard(t *testing.T) {
	ts := serve(t, web.Options{House: heron()})
	for _, size := range sizes {
		ctx := tab(t, size.width, size.height, size.phone)
		open(t, ctx, ts.URL+"/build")
		await(t, ctx, `document.querySelectorAll(".board-pieces .shape").length === 97`)
		// 12 ribs of the left wing are good, 6 lie on a plate, 6 have no job.
		got := get(t, ctx, chromedp.Evaluate[string](`[...document.querySelectorAll(".board-part")].filter(e => e.textContent.startsWith("Wing rib"))[0].textContent`))
		if want := "Wing rib 12 of 24: 12 good, 6 on a plate, 6 no job yet"; got != want {
			t.Errorf("the ribs read %q, want %q", got, want)
		}
		if n := get(t, ctx, chromedp.Evaluate[int64](`document.querySelectorAll(".shape-good:not(.board-key *)").length`)); n != 50 {
			t.Errorf("%d pieces are drawn as good, want 50", n)
		}
		// A run's piece is as high as it is: 204.8 of 368 mm.
		if n := get(t, ctx, chromedp.Evaluate[int64](`document.querySelectorAll(".shape-running .shape-front").length`)); n < 1 {
			t.Error("no running piece shows its height")
		}
		shot(t, ctx, "build-"+size.name)
	}
	dark := tab(t, 390, 844, true)
	mediaScheme(t, dark, "dark")
	open(t, dark, ts.URL+"/build")
	await(t, dark, `document.querySelectorAll(".board-pieces .shape").length === 97`)
	shot(t, dark, "build-phone-dark")
}

// TestBuildFlows changes a part, gives back a piece that did not fit, moves and
// confines a job, and answers what is made by hand, all by keyboard.
func TestBuildFlows(t *testing.T) {
	house := heron()
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL+"/build")
	await(t, ctx, `document.querySelectorAll(".part-row").length === 14`)

	ribs := `[id="part-Left-wing/Wing-rib"] `
	do(t, ctx, press(ribs+".acts button:nth-of-type(1)"), chromedp.SetValue(chromedp.CSS(inDialog+"input[type=number]"), "26"))
	shot(t, ctx, "build-part")
	confirm(t, ctx)
	heard(t, house, `change-part Wing rib wanted=26 priority=- due=- mirror=-`)

	do(t, ctx, press(ribs+".acts button:nth-of-type(2)"), chromedp.SetValue(chromedp.CSS(inDialog+"input[type=number]"), "3"), chromedp.SendKeys(chromedp.CSS(inDialog+"input[type=text]"), "does not fit"))
	confirm(t, ctx)
	heard(t, house, `bad Wing rib 3 "does not fit"`)

	more := func(id string) string { return `#queue .job[data-id="` + id + `"] .job-changes button:last-child` }
	do(t, ctx, press(more("46")), press(inDialog+".acts button:nth-of-type(1)"))
	await(t, ctx, `document.querySelector("dialog[open] [role=status]").textContent.includes("first now")`)
	heard(t, house, `order [46 45] free=false`)
	do(t, ctx, chromedp.Focus(chromedp.CSS(inDialog+`[value="Egret"]`)), chromedp.KeyEvent(" "))
	shot(t, ctx, "build-job")
	confirm(t, ctx)
	heard(t, house, `confine 46 only=[Bittern Curlew Dunlin Merel] not=[]`)
	do(t, ctx, press(more("47")), chromedp.KeyEvent(kb.Escape))
	await(t, ctx, `!document.querySelector("dialog[open]")`)

	do(t, ctx, press(`[aria-labelledby="hand-60"] .act`))
	await(t, ctx, `!document.querySelector('[aria-labelledby="hand-60"] [aria-busy]')`)
	heard(t, house, `begin 60 on Bench`)
	do(t, ctx, press(`[aria-labelledby="hand-61"] .act:not(.plain)`))
	await(t, ctx, `!document.querySelector('[aria-labelledby="hand-61"] [aria-busy]')`)
	heard(t, house, `joined 61 {Good:true}`)
}

// TestBuildList reads a list with a bad line: the line is shown before anything
// is taken, and the good ones only on a person's word.
func TestBuildList(t *testing.T) {
	list := filepath.Join(t.TempDir(), "parts.csv")
	if err := os.WriteFile(list, []byte("Part,Qty,Paint\nWing rib,8,grey\nFoot,-1,grey\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	house := heron()
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL+"/build")
	await(t, ctx, `document.querySelectorAll(".part-row").length === 14`)
	do(t, ctx, press("#build-acts button:nth-of-type(2)"), chromedp.SetUploadFiles(chromedp.CSS(inDialog+"[type=file]"), []string{list}), press(inDialog+"[type=submit]"))
	await(t, ctx, `document.querySelectorAll("dialog[open] .findings li").length === 1`)
	if calls := house.Calls(); len(calls) != 0 {
		t.Errorf("the house heard %q before the bad line was seen", calls)
	}
	if got := text(t, ctx, "dialog[open]"); !strings.Contains(got, "line 3: wanted: -1 is less than none") {
		t.Errorf("the bad line is not shown: %s", got)
	}
	shot(t, ctx, "build-list")
	do(t, ctx, chromedp.Focus(chromedp.CSS(inDialog+"[name=take-good]")), chromedp.KeyEvent(" "))
	confirm(t, ctx)
	heard(t, house, `parts-in "Heron lantern" take-good=true 2 lines`)
}

// TestStockFlows weighs, loads, adds and retires reels on a phone in the dark.
func TestStockFlows(t *testing.T) {
	house := heron()
	ts := serve(t, web.Options{House: house})
	ctx := tab(t, 390, 844, true)
	mediaScheme(t, ctx, "dark")
	open(t, ctx, ts.URL+"/stock")
	await(t, ctx, `document.querySelectorAll(".reel").length === 3 && document.querySelectorAll("#surfaces tbody tr").length === 3`)
	if got := text(t, ctx, "main"); !strings.Contains(got, "ends in layer 812 of 1150") || !strings.Contains(got, "690 W, heating up") || !strings.Contains(got, "licensed electrician") {
		t.Errorf("the stock lacks a warning: %s", got)
	}
	shot(t, ctx, "stock-phone-dark")
	violations(t, ctx)
	acts := `.reel:nth-child(1) .acts button`
	do(t, ctx, press(`.reel:nth-child(1) .reel-acts button:nth-of-type(1)`), chromedp.SendKeys(chromedp.CSS(inDialog+".fields .field:nth-child(1) input"), "600"))
	shot(t, ctx, "stock-weigh")
	confirm(t, ctx)
	heard(t, house, "weigh 3")
	await(t, ctx, `document.querySelector(".reel:nth-child(1) .reel-left").textContent.startsWith("412 g")`) // as the printer knows it
	do(t, ctx, press(`.reel:nth-child(2) .reel-acts button:nth-of-type(2)`), chromedp.SetValue(chromedp.CSS(inDialog+"select"), "Merel"))
	confirm(t, ctx)
	heard(t, house, "load Merel 5")
	do(t, ctx, press("#stock-acts button:nth-of-type(1)"), chromedp.SendKeys(chromedp.CSS(inDialog+".fields .field:nth-child(1) input"), "PETG"))
	confirm(t, ctx)
	await(t, ctx, `document.querySelectorAll(".reel").length === 4`)
	do(t, ctx, press(acts+".looks"))
	await(t, ctx, `document.querySelector("dialog[open] .reel-history").textContent.includes("weighed on Bittern")`)
	confirm(t, ctx)
	do(t, ctx, press(`.reel:nth-child(2) .reel-acts button:nth-of-type(3)`))
	confirm(t, ctx)
	heard(t, house, "retire-spool 5")
}

// TestFilesLooked brings files of every sort: each is read and shown first, and
// only what a person takes is added.
func TestFilesLooked(t *testing.T) {
	dir := t.TempDir()
	var paths []string
	for name, content := range map[string]string{"lamp-foot.gcode": "G28\nG1 X10 F3000\n", "photo.gcode": "\xff\xd8\xff\xe0", "known-rib.gcode": "G28\n"} {
		paths = append(paths, filepath.Join(dir, name))
		if err := os.WriteFile(paths[len(paths)-1], []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	slices.Sort(paths)
	house := heron()
	ts := serve(t, web.Options{House: house})
	ctx := desk(t)
	open(t, ctx, ts.URL+"/files")
	do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("#file-pick"), paths))
	await(t, ctx, `document.querySelectorAll('[data-state="shown"]').length === 2 && document.querySelectorAll('.looked-card[data-state="refused"]').length === 1`)
	if calls := house.Calls(); len(calls) != 0 {
		t.Errorf("the house heard %q of files that were only read", calls)
	}
	got := text(t, ctx, "#looked")
	for _, must := range []string{"2 h 36 min", "80 × 60 × 62 mm", "line 88: X 312 mm is beyond the bed", "is here already", "The same content as known-rib.gcode", "line 12:"} {
		if !strings.Contains(got, must) {
			t.Errorf("the cards lack %q: %s", must, got)
		}
	}
	shot(t, ctx, "files-looked")
	violations(t, ctx)
	card := `.looked-card:nth-child(2) `
	do(t, ctx, chromedp.SetValue(chromedp.CSS(card+"input[list=known-parts]"), "Foot"), chromedp.SetValue(chromedp.CSS(card+"input[type=number]"), "2"), press(card+"[type=submit]"))
	await(t, ctx, `document.querySelector(".looked-card:nth-child(2)").dataset.state === "taken"`)
	calls := house.Calls()
	if len(calls) != 1 || !strings.Contains(calls[0], "Part:Foot") || !strings.Contains(calls[0], "Build:Heron lantern") || !strings.Contains(calls[0], "Count:2") {
		t.Errorf("the house heard %q", calls)
	}
	// A file dropped anywhere on the page is read too, and what is left goes away.
	do(t, ctx, chromedp.Func(evaluate(`{ const d = new DataTransfer(); d.items.add(new File(["G28"], "dropped.gcode")); document.body.dispatchEvent(new DragEvent("drop", {dataTransfer: d, bubbles: true, cancelable: true})) }`)))
	await(t, ctx, `document.querySelectorAll(".looked-card").length === 4 && document.querySelector(".looked-card:nth-child(4)").dataset.state === "shown"`)
	do(t, ctx, press(`.looked-card:nth-child(4) .acts .plain`))
	await(t, ctx, `document.querySelectorAll(".looked-card").length === 3`)
	if got := text(t, ctx, "#inbox"); !strings.Contains(got, "wing-rib x4.gcode") || !strings.Contains(got, "slice the model first") {
		t.Errorf("the inbox reads %s", got)
	}
}
