// What needs hands, most urgent first: a start that counts down, a run that is
// held, a first layer to look at, hours that nobody has given, plates to clear,
// mishaps to decide on, remainders to join, machines to look at.

import { h, idOf, keyed, say, setText, show } from "./dom.js";
import { ago, causeWord, clock, heaterName, many, mm, size, until } from "./words.js";
import { doing, jobPath, post, printerPath } from "./ask.js";
import { field, open, stopDialog, surfaces, takeBack } from "./dialogs.js";
import { silhouette } from "./silhouette.js";
import { cautions } from "./cautions.js";
import { asksOf } from "./asks.js";

const makers = { countdown, held, eyes, hours, plate, mishap, join, look };

// askOf makes the component of one ask, for other pages too.
export const askOf = (a) => makers[a.kind](a);

export function hands() {
  const section = document.getElementById("hands");
  const head = document.getElementById("hands-head");
  const list = document.getElementById("asks");
  let shown = new Map();
  let first = true;
  return {
    update(v) {
      const asks = asksOf(v);
      for (const a of asks) {
        if (!first && !shown.has(a.key)) say(sayOf(a));
      }
      first = false;
      show(section, asks.length > 0);
      setText(head, asks.length === 1 ? "Wants hands: 1 thing" : "Wants hands: " + asks.length + " things");
      shown = keyed(list, asks, (a) => a.key, askOf);
    },
    tick() {
      for (const c of shown.values()) c.tick?.();
    },
    stale() {
      for (const c of shown.values()) c.stale?.();
    },
  };
}

function sayOf(a) {
  switch (a.kind) {
    case "countdown": return a.p.name + " starts soon.";
    case "plate": return a.p.name + ": is the plate clear?";
    case "held": return a.p.name + " is held and waits for you.";
    case "eyes": return a.p.name + " wants a look at its first layer.";
    case "join": return a.j.part + " is to be joined.";
    case "mishap": return "Mishap on " + a.m.printer + ".";
    case "look": return a.p.name + " wants a look.";
  }
  return "The hours want an answer.";
}

function ask(kind, headId, ...kids) {
  return h("article", { class: "ask ask-" + kind, "aria-labelledby": headId }, ...kids);
}

// plainQuestion says nothing that the head of the ask does not say.
const plainQuestion = "Is the plate clear?";

const warn = () => h("p", { class: "wrong", role: "alert", hidden: true });

function countdown({ p }) {
  const id = idOf("countdown", p.name);
  const left = h("span", { class: "count" });
  const late = h("p", { class: "count-stale" }, "This page is stale: the machine may start at any moment.");
  const what = h("p");
  const wrong = warn();
  let start = p.next_start;
  const button = h("button", { type: "button", class: "act", onclick: () => doing(button, wrong, () => post(printerPath(p.name, "not-yet"))) }, "Not yet");
  const el = ask("countdown", id, h("h3", { id }, p.name + " starts by itself"), left, late, what, h("p", { class: "hint" }, "Keep your hands out. If they are still in there:"), h("div", { class: "acts" }, button), wrong);
  function tick() {
    const s = Math.max(0, Math.ceil(until(start)));
    setText(left, s >= 90 ? Math.ceil(s / 60) + " min" : s + " s");
  }
  return {
    el,
    tick,
    // A countdown that nobody follows must not look like time left.
    stale: () => setText(left, "?"),
    update(a) {
      start = a.p.next_start;
      setText(what, a.job ? "Job " + a.job.id + ": " + a.job.part + ", " + size(a.job.size_mm[2]) + " mm high" : "Job " + a.p.next_job);
      tick();
    },
  };
}

function plate({ p }) {
  const id = idOf("plate", p.name);
  const marks = p.plate.marks ?? [];
  const pieces = marks.length || (p.plate.pieces ?? 0);
  const since = h("p", { class: "quiet" });
  const empty = h("input", { type: "checkbox", required: true, name: "empty" });
  const seated = h("input", { type: "checkbox", required: true, name: "seated" });
  const listId = idOf("sheets", p.name);
  const sheet = h("input", { type: "text", name: "surface", value: p.plate.surface, list: listId, maxlength: "100", autocomplete: "off" });
  const good = h("input", { type: "number", name: "good", min: "0", max: pieces, step: "1", value: pieces, inputmode: "numeric", required: true });
  const badFrom = h("input", { type: "number", name: "bad-from", min: "0", step: "0.1", inputmode: "decimal" });
  const badField = field("Bad from which height, mm?", badFrom, "Leave it empty when you cannot say.");
  const turn = (by) => () => {
    good.value = Math.min(pieces, Math.max(0, Number(good.value || 0) + by));
    good.dispatchEvent(new Event("input"));
  };
  // Pieces that are known by number are answered one by one, each beside what is
  // to be written on it; others are counted.
  const ticks = marks.map((m) => h("input", { type: "checkbox", checked: true, name: "piece", value: m.place }));
  const bad = () => marks.filter((_, i) => !ticks[i].checked).map((m) => m.place);
  const goodNow = () => (marks.length > 0 ? pieces - bad().length : Number(good.value));
  const look = () => show(badField, goodNow() < pieces);
  for (const c of [good, ...ticks]) c.addEventListener("input", look);
  show(badField, false);
  const wrong = warn();
  const button = h("button", { type: "submit", class: "act" }, "It is clear");
  const count = field(pieces === 1 ? "Good pieces, of 1" : "Good pieces, of " + pieces, good);
  count.replaceChildren(
    count.firstElementChild,
    h("div", { class: "stepper" },
      h("button", { type: "button", class: "step", "aria-label": "One good piece fewer", onclick: turn(-1) }, "−"),
      good,
      h("button", { type: "button", class: "step", "aria-label": "One good piece more", onclick: turn(1) }, "+")),
  );
  const form = h(
    "form",
    { onsubmit: (e) => {
      e.preventDefault();
      const answer = { empty: empty.checked, seated: seated.checked, surface: sheet.value.trim() };
      if (marks.length > 0) {
        if (bad().length > 0) answer.bad = bad();
      } else if (pieces > 0) answer.good = goodNow();
      if (pieces > 0 && goodNow() < pieces && badFrom.value !== "") answer.bad_from_mm = Number(badFrom.value);
      doing(button, wrong, () => post(printerPath(p.name, "cleared"), answer));
    } },
    marks.length > 0 && h("fieldset", { class: "pieces" }, h("legend", {}, marks.length === 1 ? "Write on the piece; is it good?" : "Write on each piece; leave ticked what is good"),
      marks.map((m, i) => h("label", { class: "piece" }, ticks[i], h("span", { class: "piece-words" }, (m.write ?? []).map((line, n) => h("span", { class: n === 0 ? "piece-first" : n === 1 ? "piece-number" : "" }, line)))))),
    h("label", { class: "check" }, empty, "The plate is empty"),
    h("label", { class: "check" }, seated, "The sheet is seated"),
    h("div", { class: pieces > 0 && marks.length === 0 ? "fields plate" : "" }, field("Sheet", sheet), pieces > 0 && marks.length === 0 && count),
    h("datalist", { id: listId }, surfaces.map((v) => h("option", { value: v }))),
    pieces > 0 && badField,
    wrong,
    h("div", { class: "acts" }, button, h("span", { class: "hint" }, "A start counts down first, and can be stopped.")),
  );
  const question = h("h3", { id });
  const what = h("p", { class: "ask-what" });
  const el = ask("plate", id, question, what, since, form);
  let now = p;
  function tick() {
    setText(since, (now.run ? "" : "since " + clock(now.plate.since) + ", " + ago(now.plate.since)));
  }
  return {
    el,
    tick,
    update(a) {
      now = a.p;
      setText(question, now.name + ": is the plate clear?");
      const short = now.plate.height_mm > 0 && (now.plate.completed_mm ?? 0) < now.plate.height_mm;
      setText(what, now.plate.question !== plainQuestion ? now.plate.question
        : (now.plate.part ? now.plate.part + (pieces > 1 ? ", " + many(pieces, "piece", "pieces") : "") : "What lies on it is not known")
          + (short ? ", up to " + mm(now.plate.completed_mm) + " of " + mm(now.plate.height_mm) + " mm" : ""));
      tick();
    },
  };
}

function mishap({ m }) {
  const id = "mishap-" + m.id;
  const picture = silhouette();
  picture.update({ heightMM: m.height_mm, widthMM: m.width_mm, doneMM: m.completed_mm, outline: m.outline, state: "broken" });
  const wrong = warn();
  const decide = (button, again) => doing(button, wrong, () => post(jobPath(m.job_id, "decide"), { again }));
  const again = h("button", { type: "button", class: "act again" + (m.completed_mm > 0 ? " plain" : ""), onclick: () => decide(again, true) }, "Print it again");
  const giveUp = h("button", { type: "button", class: "act plain give-up", onclick: () => open({
    title: "Give up " + m.part + "?",
    text: "Job " + m.job_id + " ends, and the piece is not printed again unless its file is added anew.",
    yes: "Give it up",
    warn: true,
    request: () => post(jobPath(m.job_id, "decide"), { again: false }),
  }) }, "Give it up…");
  const when = h("p", { class: "quiet" });
  const heat = (m.heat ?? []).length > 0 && h(
    "table", { class: "heat-table" },
    h("caption", {}, "Its last minutes"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Time"), m.heat[0].heaters.map((t) => h("th", { scope: "col" }, heaterName(t.name))))),
    h("tbody", {}, m.heat.slice(-8).map((q) => h("tr", {}, h("td", {}, clock(q.at)), q.heaters.map((t) => h("td", {}, t.actual_c.toFixed(1) + " of " + Math.round(t.target_c) + " °C"))))),
  );
  const el = ask(
    "mishap", id,
    h("div", { class: "ask-picture" }, picture.el),
    h("div", {},
      h("h3", { id }, m.printer + ": " + m.part + (m.result === "bad-yield" ? " is not good" : m.completed_mm > 0 ? " stopped at " + mm(m.completed_mm) + " mm" : " stopped before its first layer")),
      h("p", { class: "ask-what" }, "Of " + mm(m.height_mm) + " mm: " + causeWord(m.cause) + "."),
      when),
    h("div", { class: "ask-rest" },
      h("details", { class: "more" }, h("summary", {}, "What happened"),
        h("p", {}, m.text),
        h("p", {}, mm(m.completed_mm) + " mm, " + many(m.layer, "layer", "layers") + ", are certainly down; the layer up to " + mm(m.in_progress_mm) + " mm was being laid, at line " + m.line.toLocaleString("en-GB") + ". " + Math.round(m.grams_spent) + " g were spent."),
        heat),
      h("div", { class: "acts" }, m.completed_mm > 0 && h("a", { class: "act", href: "/mishaps#mishap-" + m.id }, "Only what is missing…"), again, giveUp),
      wrong),
  );
  function tick() {
    setText(when, "at " + clock(m.at) + ", " + ago(m.at));
  }
  return { el, tick, update: tick };
}

const heldBy = { person: "You held it", file: "Its file calls for you here", machine: "It was held at the machine", firmware: "Its firmware waits for you" };

// held is a run that stands with its head beside the piece: for another reel, or
// for no more than a word.
function held({ p }) {
  const id = idOf("held", p.name);
  const filament = p.held.wants_filament;
  const what = h("p", { class: "ask-what" });
  const since = h("p", { class: "quiet" });
  const cooled = h("p", { class: "hint" }, "Its heat was lowered meanwhile; going on heats it first.");
  const wrong = warn();
  const go = h("button", { type: "submit", class: "act" }, filament ? "The new reel is in" : "Go on");
  const reel = h("input", { type: "number", min: "1", max: "1000000", step: "1", inputmode: "numeric" });
  const material = h("input", { type: "text", value: p.spool.material, maxlength: "100", autocomplete: "off" });
  const colour = h("input", { type: "text", value: p.spool.colour, maxlength: "100", autocomplete: "off" });
  const form = h("form", { onsubmit: (e) => {
    e.preventDefault();
    if (!filament) {
      doing(go, wrong, () => post(printerPath(p.name, "resume")));
      return;
    }
    const load = {};
    if (reel.value !== "") load.spool = Number(reel.value);
    else Object.assign(load, { material: material.value.trim(), colour: colour.value.trim() });
    doing(go, wrong, () => post(printerPath(p.name, "loaded"), load));
  } },
  filament && field("Number on the new reel", reel, "Where it has none, say what it is:"),
  filament && h("div", { class: "fields" }, field("Material", material), field("Colour", colour)),
  wrong,
  h("div", { class: "acts" }, go, h("button", { type: "button", class: "act warn plain", onclick: () => stopDialog(now) }, "Stop…")),
  h("p", { class: "hint" }, "It heats and moves when you say so: keep your hands out."));
  const el = ask("held", id, h("h3", { id }, p.name + (filament ? " wants another reel" : " is held")), what, since, cooled, form);
  let now = p;
  const tick = () => setText(since, "since " + clock(now.held.since) + ", " + ago(now.held.since));
  return {
    el,
    tick,
    update(a) {
      now = a.p;
      const run = now.run;
      setText(what, (heldBy[now.held.by] ?? "It is held") + (run ? ": " + run.part + " at " + mm(run.completed_mm) + " of " + mm(run.height_mm) + " mm" : "") + "." + (now.held.asks ? " It asks: " + now.held.asks : now.told ? " It says: " + now.told : ""));
      show(cooled, now.held.cooled);
      tick();
    },
  };
}

function eyes({ p }) {
  const id = idOf("eyes", p.name);
  const wrong = warn();
  const since = h("p", { class: "quiet" });
  let now = p;
  const answer = (button, good) => doing(button, wrong, () => post(printerPath(p.name, "eyes"), { good }));
  const good = h("button", { type: "button", class: "act", onclick: () => answer(good, true) }, "It is good");
  const stop = h("button", { type: "button", class: "act warn plain", onclick: () => open({
    title: "Stop " + p.name + "?",
    text: "The first layer is not good: the run ends, the heaters go off. What lies on the plate becomes a mishap.",
    yes: "Stop " + p.name,
    warn: true,
    request: () => post(printerPath(p.name, "eyes"), { good: false }),
  }) }, "Stop it…");
  const why = h("p", { class: "hint" });
  const el = ask("eyes", id, h("h3", { id }, p.name + ": look at its first layer"), h("p", { class: "ask-what" }, p.run.part + ": does it stick everywhere, without gaps or curls?"), why, since, h("div", { class: "acts" }, good, stop), wrong);
  const tick = () => setText(since, now.run?.eyes_at ? "Called at " + clock(now.run.eyes_at) + ", " + ago(now.run.eyes_at) + "; it prints on" : "");
  return {
    el,
    tick,
    update(a) {
      now = a.p;
      setText(why, now.run.eyes_why ? "Because: " + now.run.eyes_why : "");
      tick();
    },
  };
}

function join({ j }) {
  const id = "join-" + j.id;
  const wrong = warn();
  const answer = (button, good) => doing(button, wrong, () => post(jobPath(j.id, "joined"), { good }));
  const good = h("button", { type: "button", class: "act", onclick: () => answer(good, true) }, "It is joined and holds");
  const bad = h("button", { type: "button", class: "act plain", onclick: () => answer(bad, false) }, "It is not good");
  const el = ask("join", id, h("h3", { id }, "Join " + j.part),
    h("p", { class: "ask-what" }, "Job " + j.id + " printed what was missing of job " + j.remainder_of + "."),
    h("p", {}, "Clean both faces, glue them, let them cure. The piece counts once you say that it holds."),
    h("div", { class: "acts" }, good, bad), wrong);
  return { el, update() {} };
}

function look({ p }) {
  const id = idOf("look", p.name);
  const text = h("p");
  const since = h("p", { class: "quiet" });
  const wrong = warn();
  const back = h("button", { type: "button", class: "act", onclick: () => takeBack(p, back, wrong) }, "Take it back");
  const el = ask("look", id, h("h3", { id }, p.name + (p.phase === "absent" ? " does not answer" : " has a fault")), text, since, h("div", { class: "acts" }, back), wrong);
  show(back, p.phase === "faulted");
  let now = p;
  const tick = () => setText(since, "since " + clock(now.phase_since) + ", " + ago(now.phase_since));
  return {
    el,
    tick,
    update(a) {
      now = a.p;
      setText(text, now.why);
      tick();
    },
  };
}

function hours({ v }) {
  const wrong = warn();
  const button = h("button", { type: "submit", class: "act" }, "These are the hours");
  const { body, request } = hoursFields(v.hours);
  const el = ask(
    "hours", "hours-ask",
    h("h3", { id: "hours-ask" }, "Before anything starts"),
    h("ul", { class: "cautions" }, cautions.map((c) => h("li", {}, c))),
    h("form", { onsubmit: (e) => {
      e.preventDefault();
      doing(button, wrong, request);
    } }, ...body, wrong, h("div", { class: "acts" }, button, h("span", { class: "hint" }, "Nothing starts before both are answered."))),
  );
  return { el, update() {} };
}

// hoursFields are the two questions, for the first start and for later.
export function hoursFields(now) {
  const one = (value, example) => h("input", { type: "text", value, placeholder: example, maxlength: "1000", autocomplete: "off", required: true });
  const home = one(now.home, "Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00");
  const cold = one(now.cold, "daily 01:00-05:00");
  return {
    body: [
      field("When is somebody there who can clear a plate?", home, "Days and times, e.g. Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00. Or: none"),
      field("When may nothing be hot?", cold, "Nothing is started that would still be hot then, e.g. daily 01:00-05:00. Or: none"),
    ],
    request: () => post("/api/hours", { home: home.value.trim(), cold: cold.value.trim() }),
  };
}
