// Mishaps: each run that went wrong, how high its piece is good, and the way to
// print only what is missing.

import { h, keyed, setText, show } from "./dom.js";
import { shell } from "./shell.js";
import { asksOf } from "./asks.js";
import { askOf } from "./hands.js";
import { get } from "./ask.js";
import { causeWord, clock, grams, mm } from "./words.js";
import { mishapCase } from "./mishap-case.js";

const at = (id) => document.getElementById(id);
const queued = new Map(); // those whose remainder was queued here: they stay, with what to do next
let joins = new Map();
let cases = new Map();
let asked = "";

const decidedWords = { again: "printed again", "given-up": "given up", remainder: "only what is missing was printed" };

function past(m) {
  const text = h("p", { class: "job-note" });
  const state = h("p", { class: "job-state" });
  const head = h("p", {}, h("span", { class: "job-part" }, m.part), " ", h("span", { class: "quiet" }, "on " + m.printer));
  const el = h("li", { class: "job" }, h("p", { class: "job-number" }, mm(m.completed_mm)), h("div", { class: "job-words" }, head, h("p", { class: "job-facts" }, "of " + mm(m.height_mm) + " mm · " + clock(m.at) + " · " + grams(m.grams_spent) + " spent"), text), state);
  return {
    el,
    update(n) {
      setText(text, causeWord(n.cause));
      setText(state, decidedWords[n.decided] ?? n.decided);
    },
  };
}

// The list of those decided before is asked for when the open ones change: it
// changes with them only.
async function fetchPast() {
  try {
    const all = await get("/api/mishaps");
    const decided = all.filter((m) => m.decided);
    keyed(at("past"), decided.slice(0, 100), (m) => m.id, past);
    show(at("past"), decided.length > 0);
    show(at("past-empty"), decided.length === 0);
  } catch {
    asked = ""; // the next change asks again
  }
}

let landed = false; // on the one that the address names

shell({
  update(view) {
    const open = view.mishaps.filter((m) => !m.decided);
    const kept = [...queued.values()].filter((m) => !open.some((o) => o.id === m.id));
    cases = keyed(at("open"), [...open, ...kept], (m) => m.id, (m) => mishapCase(m, () => queued.set(m.id, m)));
    show(at("open-empty"), open.length + kept.length === 0);
    const toJoin = asksOf(view).filter((a) => a.kind === "join");
    joins = keyed(at("joins"), toJoin, (a) => a.key, askOf);
    show(at("join-section"), toJoin.length > 0);
    const key = view.mishaps.map((m) => m.id + m.decided).join();
    if (key !== asked) {
      asked = key;
      fetchPast();
    }
    if (!landed) {
      landed = true;
      if (location.hash) document.getElementById(location.hash.slice(1))?.scrollIntoView();
    }
  },
  tick() {
    for (const c of [...cases.values(), ...joins.values()]) c.tick?.();
  },
});
