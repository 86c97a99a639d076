// Dialogs for what is not done in passing. Each names the machine it is about.

import { h, setText, show } from "./dom.js";
import { doing, post, printerPath, whenConfirmed } from "./ask.js";

const place = document.getElementById("dialogs");
let serial = 0;

// field is a label with its control, and a hint below.
export function field(label, control, hint) {
  const id = control.id || "field" + ++serial;
  control.id = id;
  const el = h("div", { class: "field" }, h("label", { for: id }, label), control);
  if (hint) {
    el.append(h("p", { class: "hint", id: id + "-hint" }, hint));
    control.setAttribute("aria-describedby", id + "-hint");
  }
  return el;
}

// open shows a dialog that runs request() when confirmed, and closes when that
// went well, unless it gives false: then there is more to say in it; closed, if
// given, runs in the end; with only there is nothing to leave. It returns yes(word), which names the button anew.
export function open({ title, text, body = [], yes, warn, only, request, closed }) {
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  const ok = h("button", { type: "submit", class: "act" + (warn ? " warn" : "") }, yes);
  const id = "dialog" + ++serial;
  const form = h(
    "form",
    { onsubmit: async (e) => {
      e.preventDefault();
      let last = true;
      if (await doing(ok, wrong, async () => { last = (await request()) !== false; }) && last) dialog.close();
    } },
    h("h2", { id }, title),
    text && h("p", {}, text),
    ...body,
    wrong,
    h("div", { class: "acts" }, ok, !only && h("button", { type: "button", class: "act plain", onclick: () => dialog.close() }, "Leave it")),
  );
  const dialog = h("dialog", { "aria-labelledby": id, onclose: () => { dialog.remove(); closed?.(); } }, form);
  place.append(dialog);
  dialog.showModal();
  return { yes: (word) => setText(ok, word) };
}

// Whoever is not beside a machine confirms what heats or moves it by a second,
// deliberate press under its name.
whenConfirmed((name, text) => new Promise((resolve) => {
  let sure = false;
  open({
    title: "You are not beside " + name,
    text,
    yes: name + " may heat and move",
    warn: true,
    request: async () => { sure = true; },
    closed: () => resolve(sure),
  });
}));

export function stopDialog(p) {
  const cause = h("input", { type: "text", required: true, maxlength: "500", autocomplete: "off" });
  open({
    title: "Stop " + p.name + " now?",
    text: "The run ends: no more moves are sent, the heaters go off, the head parks. What is printed of " + p.run.part + " stays on the plate and is recorded with its height.",
    body: [field("Why?", cause, "It goes into the record: warped, came loose, wrong colour …")],
    yes: "Stop " + p.name,
    warn: true,
    request: () => post(printerPath(p.name, "stop"), { cause: cause.value }),
  });
}

// emergencyDialog stops a machine in the middle of a move. Whether anything
// confirmed it is said in the refusal.
export function emergencyDialog(p) {
  const cause = h("input", { type: "text", required: true, maxlength: "500", autocomplete: "off", value: "emergency stop" });
  open({
    title: "Stop " + p.name + " at once?",
    text: (p.halts_at_once ? "The machine halts in the middle of its move, heaters off, and must be reset before it works again." : "This machine's firmware reads the stop only after what it holds already: its plug is quicker.") + " In danger, pull the plug; do not wait for this page.",
    body: [field("Why?", cause)],
    yes: "Halt " + p.name,
    warn: true,
    request: () => post(printerPath(p.name, "emergency"), { cause: cause.value }),
  });
}

export const pause = (p, button, wrong) => doing(button, wrong, () => post(printerPath(p.name, "pause")));
export const lend = (p, button, wrong) => doing(button, wrong, () => post(printerPath(p.name, "lend")));
export const takeBack = (p, button, wrong) => doing(button, wrong, () => post(printerPath(p.name, "take-back")));

export function serviceDialog(p, button, wrong) {
  if (p.out_of_service) {
    doing(button, wrong, () => post(printerPath(p.name, "service"), { out: false }));
    return;
  }
  const reason = h("input", { type: "text", required: true, maxlength: "500", autocomplete: "off" });
  open({
    title: "Take " + p.name + " out of service?",
    text: "It gets no more jobs until you put it back. What it prints now goes on.",
    body: [field("Why?", reason)],
    yes: "Out of service",
    request: () => post(printerPath(p.name, "service"), { out: true, reason: reason.value }),
  });
}

export const surfaces = ["smooth", "textured", "satin", "glass"];

export function fitDialog(p) {
  const text = (value, list) => h("input", { type: "text", value, maxlength: "100", autocomplete: "off", list });
  const number = (value, step, max) => h("input", { type: "number", value, step, min: "0", max, inputmode: "decimal" });
  const nozzle = number(p.nozzle_mm || "", "0.05", "5");
  const material = text(p.spool.material);
  const colour = text(p.spool.colour);
  const left = number(p.spool.grams_left > 0 ? Math.round(p.spool.grams_left) : "", "1", "20000");
  const listId = "surfaces" + ++serial;
  const surface = text(p.plate.surface, listId);
  const off = h("input", { type: "checkbox", checked: p.plate.state === "off" });
  open({
    title: "What is fitted on " + p.name + "?",
    text: "Jobs are given by this. Change nozzle and spool first, then say so here.",
    body: [
      h("div", { class: "fields" }, field("Nozzle, mm", nozzle), field("Grams left", left), field("Material", material), field("Colour", colour)),
      field("Sheet", surface),
      h("datalist", { id: listId }, surfaces.map((v) => h("option", { value: v }))),
      h("label", { class: "check" }, off, "No plate is fitted"),
    ],
    yes: "Note it",
    request: () => {
      // Only what was changed is sent: the rest may have moved on meanwhile.
      const fit = {};
      const changed = (input) => input.value.trim() !== input.defaultValue;
      if (changed(nozzle) && nozzle.value !== "") fit.nozzle_mm = Number(nozzle.value);
      if (changed(left) && left.value !== "") fit.grams = Number(left.value);
      if (changed(material)) fit.material = material.value.trim();
      if (changed(colour)) fit.colour = colour.value.trim();
      if (changed(surface)) fit.surface = surface.value.trim();
      if (off.checked !== off.defaultChecked) fit.plate_off = off.checked;
      return post(printerPath(p.name, "fit"), fit);
    },
  });
}

// coolDialog turns every heater off and says of each printer whether it did.
export function coolDialog() {
  const list = h("ul", { class: "plain-list", "aria-live": "polite" });
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  const ok = h("button", { type: "submit", class: "act warn" }, "Turn them off");
  const dialog = h(
    "dialog",
    { "aria-labelledby": "cool-head", onclose: () => dialog.remove() },
    h(
      "form",
      { onsubmit: async (e) => {
        e.preventDefault();
        await doing(ok, wrong, async () => {
          const cooled = await post("/api/cool");
          list.replaceChildren(...cooled.map((c) => h("li", { class: c.ok ? "" : "bad" }, (c.ok ? "✓ " : "✕ ") + c.printer + ": " + c.text)));
          show(ok, false);
        });
      } },
      h("h2", { id: "cool-head" }, "Turn every heater off?"),
      h("p", {}, "Every heater target of every printer goes to zero. What runs ends there and becomes a mishap. In a fire, leave the machines and call for help."),
      list,
      wrong,
      h("div", { class: "acts" }, ok, h("button", { type: "button", class: "act plain", onclick: () => dialog.close() }, "Close")),
    ),
  );
  place.append(dialog);
  dialog.showModal();
}
