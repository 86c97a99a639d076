// What is said of a reel: in a dialog that names it.

import { h } from "./dom.js";
import { field, open } from "./dialogs.js";
import { get, post, printerPath } from "./ask.js";
import { clock, grams } from "./words.js";

const number = (value, props) => h("input", { type: "number", value: value ?? "", min: "0", step: "1", inputmode: "decimal", ...props });
const text = (value, props) => h("input", { type: "text", value: value ?? "", maxlength: "100", autocomplete: "off", ...props });
const path = (r, verb) => "/api/spools/" + r.number + "/" + verb;
const called = (r) => "reel " + r.number + ", " + [r.material, r.colour].filter(Boolean).join(" ");

// given adds what was filled in, as numbers.
function given(controls, out = {}) {
  for (const [name, c] of Object.entries(controls)) {
    if (c.value.trim() !== "") out[name] = c.type === "number" ? Number(c.value) : c.value.trim();
  }
  return out;
}

export function addReelDialog(done) {
  const c = {
    number: number("", { min: "1", max: "99999" }), material: text("", { required: true }), colour: text(""), full_g: number(1000, { max: "20000" }), grams_left: number("", { max: "20000" }),
    tare_g: number("", { max: "5000" }), diameter_mm: number("", { step: "0.01", max: "5" }), density_g_cm3: number("", { step: "0.01", max: "10" }), price: number("", { step: "0.01" }),
  };
  open({
    title: "Add a reel",
    text: "Write its number on it, large, on both sides.",
    body: [
      h("div", { class: "fields" }, field("Material", c.material), field("Colour", c.colour), field("Grams as bought", c.full_g), field("Grams left", c.grams_left), field("Number", c.number), field("Empty reel, g", c.tare_g), field("Diameter measured, mm", c.diameter_mm), field("Density, g/cm³", c.density_g_cm3), field("Price", c.price)),
      h("p", { class: "hint" }, "What is left empty: the next free number; a full reel; 1.75 mm; the usual density of the material."),
    ],
    yes: "Add it",
    request: () => post("/api/spools", given(c)).then(done),
  });
}

export function weighDialog(r, done) {
  const gross = number("", { max: "30000" });
  const net = number("", { max: "30000" });
  const tare = number(r.tare_g, { max: "5000" });
  open({
    title: "Weigh " + called(r),
    text: "Put the reel on the scales as it is. What was counted is corrected by that.",
    body: [h("div", { class: "fields" }, field("The scales show, g", gross), field("Empty reel, g", tare)), field("Or: filament alone, g", net, "If you know it without scales.")],
    yes: "Note it",
    request: () => {
      const w = {};
      if (net.value !== "") w.net_g = Number(net.value);
      else if (gross.value !== "") w.gross_g = Number(gross.value);
      if (tare.value !== tare.defaultValue && tare.value !== "") w.tare_g = Number(tare.value);
      return post(path(r, "weigh"), w).then(done);
    },
  });
}

export function loadDialog(r, printers, done) {
  const where = h("select", {}, !r.printer && h("option", { value: "" }, "choose"), printers.filter((p) => p.kind !== "by-hand").map((p) => h("option", { value: p.name, selected: p.name === r.printer }, p.name + (p.spool.material ? ": has " + (p.spool.number ? "reel " + p.spool.number : p.spool.material) : ": has none"))), r.printer && h("option", { value: "off" }, "none: back to the shelf"));
  where.required = true;
  open({
    title: "Where is " + called(r) + "?",
    text: "Change the reel on the machine first, then say so here. In mid-print too: grams are counted from then on against this reel.",
    body: [field("It hangs on", where)],
    yes: "Note it",
    request: () => (where.value === "off" ? post(printerPath(r.printer, "load"), { number: 0 }) : post(printerPath(where.value, "load"), { number: r.number })).then(done),
  });
}

export function retireDialog(r, done) {
  open({ title: "Take " + called(r) + " out of stock?", text: "It is empty or gone. What was drawn from it stays on record, and its number is not given again.", yes: "Take it out", warn: true, request: () => post(path(r, "retire")).then(done) });
}

const whats = { added: "added", loaded: "loaded", unloaded: "taken off", weighed: "weighed", said: "said by hand", drawn: "drawn", retired: "taken out of stock" };

export function historyDialog(r) {
  const list = h("ol", { class: "reel-history" }, h("li", { class: "quiet" }, "One moment …"));
  open({ title: called(r)[0].toUpperCase() + called(r).slice(1), body: [h("div", { class: "scroll-y", tabindex: "0", role: "group", "aria-label": "What happened to it" }, list)], yes: "Close", request: () => undefined, only: true });
  get("/api/spools/" + r.number).then((x) => list.replaceChildren(...(x.events.length ? x.events : [{}]).map((e) => h("li", {}, e.at
    ? clock(e.at) + ": " + (whats[e.what] ?? e.what) + (e.printer ? " on " + e.printer : "") + (e.change_g ? ", " + (e.change_g > 0 ? "+" : "−") + grams(Math.abs(e.change_g)) : "") + (e.grams_left !== undefined ? ", " + grams(e.grams_left) + " left" : "") + (e.gross_g !== undefined ? " (scales: " + grams(e.gross_g) + ")" : "")
    : "Nothing yet."))), (e) => list.replaceChildren(h("li", {}, e.message)));
}

export function rulesDialog(k) {
  const margin = number(Math.round(k.margin * 100), { max: "100", required: true });
  const warn = h("input", { type: "checkbox", checked: k.warn });
  const eyes = h("input", { type: "checkbox", checked: k.eyes });
  open({
    title: "Rules for reels and first layers",
    body: [field("Kept on a reel beyond what a file needs, %", margin), h("label", { class: "check" }, warn, "A reel that will not last only warns: the job starts all the same"), h("label", { class: "check" }, eyes, "Call somebody to first layers")],
    yes: "Note it",
    request: () => post("/api/stock", { margin: Number(margin.value) / 100, warn: warn.checked, eyes: eyes.checked }),
  });
}
