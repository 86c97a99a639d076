// What is changed of a build and its parts: each in a dialog that names it.

import { h, keyed, show } from "./dom.js";
import { field, open } from "./dialogs.js";
import { post, postText } from "./ask.js";
import { many } from "./words.js";

const text = (value, props) => h("input", { type: "text", value: value ?? "", maxlength: "200", autocomplete: "off", ...props });
const number = (value, props) => h("input", { type: "number", value: value ?? "", min: "0", step: "1", inputmode: "numeric", ...props });

function choice(value, options) {
  return h("select", {}, options.map(([v, word]) => h("option", { value: v, selected: v === value }, word)));
}

// dayOf is the day of an instant as a date field takes it, in the time it was
// written in: the house's.
const dayOf = (t) => (t ? t.slice(0, 10) : "");
const day = (t) => h("input", { type: "date", value: dayOf(t) });

// changed gives of the named controls what was changed, by name.
function changed(controls, out = {}) {
  for (const [name, c] of Object.entries(controls)) {
    const was = c.tagName === "SELECT" ? ([...c.options].find((o) => o.defaultSelected)?.value ?? "") : c.defaultValue;
    if (c.value.trim() !== was) out[name] = c.type === "number" ? Number(c.value) : c.value.trim();
  }
  return out;
}

const priorities = [["first", "first"], ["normal", "normal"], ["later", "later"]];

export function buildDialog(b, done) {
  const c = { priority: choice(b.priority, priorities), due: day(b.due), not_before: day(b.not_before), note: text(b.note, { maxlength: "2000" }) };
  open({
    title: "Change " + b.name,
    body: [h("div", { class: "fields" }, field("Wanted by the end of", c.due), field("Not before", c.not_before)), field("Priority", c.priority), field("Note", c.note)],
    yes: "Note it",
    request: () => post("/api/build", changed(c, { name: b.name })).then(done),
  });
}

export function newBuildDialog(done) {
  const name = text("", { required: true });
  const due = day("");
  open({
    title: "Begin a build",
    body: [field("What is being made?", name), field("Wanted by the end of", due, "Leave it empty when there is no date.")],
    yes: "Begin it",
    request: () => post("/api/builds", { name: name.value.trim(), ...(due.value ? { due: due.value } : {}) }).then(() => done(name.value.trim())),
  });
}

export function assemblyDialog(b, a, done) {
  const due = day(a.due);
  open({
    title: a.name + " of " + b.name,
    body: [field("Wanted by the end of", due, "Leave it empty for no date of its own.")],
    yes: "Note it",
    request: () => post("/api/assembly", { build: b.name, name: a.name, due: due.value }).then(done),
  });
}

export function partDialog(b, a, p, done) {
  const others = b.assemblies.flatMap((x) => x.parts.map((y) => y.name)).filter((n) => n !== p.name);
  const c = {
    wanted: number(p.wanted, { max: "10000", required: true }),
    priority: choice(p.priority, [["", "that of the build"], ...priorities]),
    due: day(p.due),
    not_before: day(p.not_before),
    mirror: choice(p.mirror, [["", "none"], ...[...new Set([p.mirror, ...others])].filter(Boolean).map((n) => [n, n])]),
    note: text(p.note, { maxlength: "2000" }),
  };
  open({
    title: p.name,
    text: [a.name, b.name].filter(Boolean).join(", "),
    body: [
      h("div", { class: "fields" }, field("Wanted how many times?", c.wanted), field("Priority", c.priority), field("Wanted by the end of", c.due), field("Not before", c.not_before)),
      field("Mirror image", c.mirror, "The other part of a mirrored pair, if it is one."),
      field("Note", c.note),
    ],
    yes: "Note it",
    request: () => post("/api/part", changed(c, { build: b.name, assembly: a.name, part: p.name })).then(done),
  });
}

export function badDialog(b, a, p, done) {
  const sections = [...new Set(p.ways.flatMap((w) => w.sections))];
  const n = number("", { min: "1", required: true });
  const section = choice("", [["", "all of it"], ...sections.map((s) => [s, s])]);
  const why = text("", { maxlength: "500" });
  open({
    title: "A piece of " + p.name + " is not good after all",
    text: "It counts no longer, and its part is open again. Nothing else is changed.",
    body: [
      field("Which number stands on the piece?", n, "Of " + many(p.good, "good piece", "good pieces") + ", as it was written on it when its plate was cleared."),
      sections.length > 0 && field("Which section?", section),
      field("What is wrong with it?", why, "Does not fit, warped, cracked …"),
    ],
    yes: "It is not good",
    warn: true,
    request: () => post("/api/bad", { build: b.name, assembly: a.name, part: p.name, number: Number(n.value), section: section.value, why: why.value.trim() }).then(done),
  });
}

export function byHandDialog(b, done) {
  const c = { part: text("", { required: true }), assembly: text(""), material: text("", { maxlength: "100" }), count: number(1, { min: "1", max: "500" }), pieces: number(1, { min: "1", max: "1000" }), hours: number("", { step: "0.1", max: "1000", inputmode: "decimal" }), grams: number("", { max: "100000" }) };
  open({
    title: "Something made by hand, or elsewhere",
    text: "It stands in the queue like the rest, and a person says when it begins and ends: so that the build is whole.",
    body: [field("Part", c.part), h("div", { class: "fields" }, field("Assembly", c.assembly), field("Material", c.material), field("How many times?", c.count), field("Pieces at once", c.pieces), field("Hours each", c.hours), field("Grams each", c.grams))],
    yes: "Queue it",
    request: () => post("/api/by-hand", {
      build: b.name, part: c.part.value.trim(), assembly: c.assembly.value.trim(), material: c.material.value.trim(),
      count: Number(c.count.value || 1), pieces: Number(c.pieces.value || 1), hours: Number(c.hours.value || 0), grams: Number(c.grams.value || 0),
    }).then(done),
  });
}

// listDialog takes a list of parts: first it is only read, and what is bad in it
// is shown; then a person says whether the good lines are to be taken.
export function listDialog(b, done) {
  const pick = h("input", { type: "file", accept: ".csv,text/csv,text/plain", required: true });
  const found = h("div", { class: "list-found", "aria-live": "polite" });
  const bad = h("ol", { class: "findings" });
  const takeGood = h("input", { type: "checkbox", name: "take-good" });
  const take = h("label", { class: "check", hidden: true }, takeGood, "Take the good lines all the same");
  let read = null;
  const dialog = open({
    title: "A list of parts for " + (b.name || "no build"),
    text: "A table as text (CSV), columns in any order: part, wanted, assembly, material, priority and more. It is read first; nothing is taken before you have seen what is bad in it.",
    body: [field("The list", pick), found, bad, take],
    yes: "Read it",
    request: async () => {
      const path = "/api/parts.csv?build=" + encodeURIComponent(b.name);
      const list = pick.files[0];
      if (read !== list) {
        const r = await postText(path + "&dry_run=true", "text/csv", list);
        read = list;
        const good = r.lines - r.bad.length;
        found.replaceChildren(
          h("p", {}, many(r.lines, "line", "lines") + ", " + r.read + ". " + good + " could be taken" + (r.bad.length ? ", " + r.bad.length + " are bad:" : ".")),
          h("p", { class: "quiet" }, r.columns.map((c) => c.header + (c.is ? " is " + c.is : " is kept for nothing")).join("; ")),
        );
        keyed(bad, r.bad, (l) => l.line + l.text, (l) => ({ el: h("li", {}, "line " + l.line + ": " + l.text), update() {} }));
        show(take, r.bad.length > 0 && good > 0);
        takeGood.required = r.bad.length > 0;
        takeGood.checked = false;
        dialog.yes(good === 0 ? "Read it again" : "Take " + many(good, "line", "lines"));
        if (good === 0) read = null;
        return false; // stays open
      }
      await postText(path + (takeGood.checked ? "&take_good=true" : ""), "text/csv", list);
      done();
    },
  });
  pick.addEventListener("change", () => {
    read = null;
    found.replaceChildren();
    bad.replaceChildren();
    bad.components = new Map();
    takeGood.required = false;
    show(take, false);
    dialog.yes("Read it");
  });
}
