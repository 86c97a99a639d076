// The build: what is wanted, what is done, what is under way, and what may be
// said of each of it.

import { h, idOf, keyed, setAttr, setText, show } from "./dom.js";
import { clock, grams, many, size, span } from "./words.js";
import { shell } from "./shell.js";
import { fresh } from "./fresh.js";
import { gauge } from "./gauge.js";
import { board, countWords, makes, piecesOf } from "./board.js";
import { handAsks } from "./hand-asks.js";
import { queue } from "./queue.js";
import { assemblyDialog, badDialog, buildDialog, byHandDialog, listDialog, newBuildDialog, partDialog } from "./build-dialogs.js";

const at = (id) => document.getElementById(id);

let view = null;
let build = null;
let named = new URLSearchParams(location.search).get("build"); // null: the house's own

const picture = board(at("board"));
const asks = handAsks(at("build-hands"), at("build-asks"));
const list = queue({ only: (j) => j.build === (build?.name ?? j.build) });
const pieces = gauge("Pieces");
const hours = gauge("Hours of printing");
const weight = gauge("Filament");
at("build-progress").append(pieces.el, hours.el, weight.el);

const wrong = (text) => {
  setText(at("build-wrong"), text);
  show(at("build-wrong"), text !== "");
};

const builds = fresh(() => "/api/builds", (got) => {
  const names = got.map((b) => b.name);
  if (named === null || !names.includes(named)) named = names.find((n) => n !== "" && n === view?.title) ?? names.find((n) => n !== "") ?? "";
  choose.replaceChildren(...names.map((n) => h("option", { value: n, selected: n === named }, n || "What belongs to no build")));
  show(at("build-choose"), names.length > 1);
  one.ask();
}, wrong);
const one = fresh(() => "/api/build?build=" + encodeURIComponent(named ?? ""), (got) => {
  build = got;
  draw();
}, wrong);

const choose = h("select", { "aria-label": "Which build", onchange: () => {
  named = choose.value;
  history.replaceState(null, "", "?build=" + encodeURIComponent(named));
  one.ask();
} });
at("build-choose").append(choose);

const again = () => builds.ask();
const act = (word, f) => h("button", { type: "button", class: "act small plain", onclick: f }, word);
const out = h("a", { class: "act small plain looks", download: "parts.csv" }, "List out");
const change = act("Change…", () => buildDialog(build, again));
at("build-acts").append(
  change, act("List in…", () => listDialog(build, again)), out, act("By hand…", () => byHandDialog(build, again)),
  act("New build…", () => newBuildDialog((name) => { named = name; again(); })),
);

function assembly(first) {
  const name = h("h3");
  const facts = h("p", { class: "quiet" });
  const fill = h("div", { class: "bar-fill" });
  const rows = h("ul", { class: "parts" });
  let a = first.a;
  const due = h("button", { type: "button", class: "act small plain changes", onclick: () => assemblyDialog(build, a, again) }, "Date…", h("span", { class: "unseen" }, " of " + (a.name || "no assembly")));
  const el = h("details", { class: "assembly", open: a.good < a.wanted || a.wanted === 0 },
    h("summary", {}, name, h("span", { class: "assembly-count" })),
    h("div", { class: "assembly-facts" }, facts, a.name && due), h("div", { class: "bar", "aria-hidden": "true" }, fill), rows);
  const count = el.querySelector(".assembly-count");
  return {
    el,
    update(x) {
      a = x.a;
      setText(name, a.name || "Not in an assembly");
      setText(count, a.good + " of " + a.wanted);
      setText(facts, [Math.round(a.hours_done) + " h done, " + Math.round(a.hours_left) + " h left", grams(a.grams_used) + " used, " + grams(a.grams_left) + " to come", a.due ? "wanted by " + clock(a.due) : "", a.unknown ? "nothing is known yet of " + many(a.unknown, "piece", "pieces") : ""].filter(Boolean).join(" · "));
      fill.style.width = (a.wanted > 0 ? Math.min(100, (100 * a.good) / a.wanted) : 0) + "%";
      keyed(rows, a.parts.map((p) => ({ p, a, jobs: x.jobs.filter((j) => makes(j, p.name, a.name)) })), (y) => y.p.name, partRow);
    },
  };
}

function partRow(first) {
  let { p, a } = first;
  const id = idOf("part", a.name + "/" + p.name);
  const about = () => h("span", { class: "unseen" }, " of " + p.name);
  const count = h("p", { class: "part-count" });
  const state = h("p", { class: "part-state" });
  const facts = h("p", { class: "quiet" });
  const ways = h("ul", { class: "part-ways" });
  const bad = h("button", { type: "button", class: "act small plain", onclick: () => badDialog(build, a, p, again) }, "One is bad…", about());
  const el = h("li", { class: "part-row", id, tabindex: "-1" },
    h("div", {}, h("h4", {}, p.name), state, facts, ways), count,
    h("div", { class: "acts changes" }, h("button", { type: "button", class: "act small plain", onclick: () => partDialog(build, a, p, again) }, "Change…", about()), bad));
  return {
    el,
    update(x) {
      ({ p, a } = x);
      setText(count, p.good + " of " + p.wanted);
      setAttr(el, "data-done", p.wanted > 0 && p.good >= p.wanted ? "" : null);
      setText(state, countWords(piecesOf(p, x.jobs)) + (p.failed ? (p.wanted ? " · " : "") + p.failed + " failed" : "") + (p.reopened ? " · " + p.reopened + " not good after all" : "") + (p.spare ? " · " + p.spare + " spare" : ""));
      setText(facts, [
        p.priority && p.priority !== "normal" ? p.priority : "", p.due ? "wanted by " + clock(p.due) : "", p.not_before ? "not before " + clock(p.not_before) : "",
        p.mirror ? "mirror image of " + p.mirror : "", p.hours_left > 0 ? span(p.hours_left * 3600) + " left" : "", p.grams_left > 0 ? grams(p.grams_left) + " to come" : "",
        p.counted ? "nobody has said how many: what was added counts" : "", p.note,
      ].filter(Boolean).join(" · "));
      show(facts, facts.textContent !== "");
      show(bad, p.good > 0);
      keyed(ways, p.ways, (w) => w.name, way);
    },
  };
}

function way(w) {
  const head = h("p", {});
  const files = h("ul", { class: "way-files" });
  return {
    el: h("li", {}, head, files),
    update(w) {
      setText(head, [w.name ? "way “" + w.name + "”" : "", w.sections.length > 0 ? "in sections: " + w.sections.join(", ") : "", w.seam ? "seam: " + w.seam : "", w.note].filter(Boolean).join(" · "));
      show(head, head.textContent !== "");
      keyed(files, w.files, (f) => f.sha256 + f.file + JSON.stringify(f.yields), (f) => ({ el: h("li", {}, fileWords(f)), update() {} }));
    },
  };
}

function fileWords(f) {
  const makes = f.yields.length > 1 || f.yields.some((y) => y.count > 1 || y.section)
    ? "makes " + f.yields.map((y) => y.count + " × " + y.part + (y.section ? " (" + y.section + ")" : "")).join(", ") : "";
  return [f.file, f.height_mm > 0 ? size(f.height_mm) + " mm high" : "", span(f.estimate_s), grams(f.mass_g) + (f.material ? " " + f.material : "") + (f.colour ? " " + f.colour : ""), f.nozzle_mm > 0 ? size(f.nozzle_mm) + " mm nozzle" : "", f.layer_mm > 0 ? size(f.layer_mm) + " mm layers" : "", f.kind, makes].filter(Boolean).join(" · ");
}

function draw() {
  if (!build || !view) return;
  const b = build;
  setText(at("build-name"), b.name || "What belongs to no build");
  setText(at("build-when"), [b.due ? "wanted by " + clock(b.due) : "no date", b.priority && b.priority !== "normal" ? "priority: " + b.priority : "", b.not_before ? "not before " + clock(b.not_before) : ""].filter(Boolean).join(" · "));
  setText(at("build-note"), b.note);
  show(at("build-note"), b.note !== "");
  show(change, b.name !== "");
  setAttr(out, "href", "/api/parts.csv?build=" + encodeURIComponent(b.name));
  const done = b.hours_done + b.hours_left > 0 ? b.hours_done / (b.hours_done + b.hours_left) : 0;
  const more = [b.running ? b.running + " running" : "", b.on_plate ? b.on_plate + " on a plate" : "", b.waiting ? b.waiting + " wait" : "", b.missing ? b.missing + " without a job" : "", b.failed ? b.failed + " failed" : ""].filter(Boolean).join(", ");
  pieces.update(String(b.good), "of " + many(b.wanted, "piece", "pieces") + " good", b.good / b.wanted, more);
  const blind = b.unknown ? "without " + many(b.unknown, "piece", "pieces") + " of which nothing is known" : "";
  hours.update(Math.round(b.hours_done) + " h", "done, " + Math.round(b.hours_left) + " h left", done, blind);
  weight.update(grams(b.grams_used), "used, " + grams(b.grams_left) + " to come", b.grams_used / (b.grams_used + b.grams_left), "");
  const jobs = view.jobs.filter((j) => j.build === b.name);
  const runs = new Map(view.printers.filter((p) => p.run && p.run.height_mm > 0).map((p) => [p.run.job_id, Math.round((50 * p.run.completed_mm) / p.run.height_mm) / 50 || 0.02]));
  picture.update(b, jobs, runs);
  keyed(at("assemblies"), b.assemblies.filter((a) => a.parts.length > 0).map((a) => ({ a, jobs })), (x) => x.a.name, assembly);
  asks.update(view, jobs);
  list.update(view);
}

shell({
  update(next) {
    view = next;
    const t = view.tally;
    builds.when([t.pieces_done, t.pieces_wanted, view.jobs.map((j) => j.id + j.state + j.priority + (j.due ?? "") + j.printer).join()].join("|"));
    draw();
  },
});
