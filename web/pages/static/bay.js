// One printer as a bay of the arcade: its piece, its height, what it does, when
// it ends, what is fitted.

import { h, idOf, keyed, say, setAttr, setText, show } from "./dom.js";
import { clock, grams, heaterName, mm, size, span, until } from "./words.js";
import { silhouette } from "./silhouette.js";
import { emergencyDialog, fitDialog, lend, pause, serviceDialog, stopDialog, takeBack } from "./dialogs.js";

const phaseWords = {
  absent: "does not answer", settling: "settling", ready: "ready", warming: "warming up", printing: "printing",
  paused: "paused", cooling: "cooling down", lent: "lent to a person", faulted: "faulted",
};

// A mark of its own shape for each phase: colour is never the only sign.
const phaseMarks = {
  absent: "✕", settling: "◌", ready: "○", warming: "△", printing: "▲", paused: "‖", cooling: "▽", lent: "◇", faulted: "✕",
};

// waitsForHands tells whether a printer stands still until somebody comes.
export const waitsForHands = (p) => !p.out_of_service && (p.waits_for === "person" || p.held || p.run?.eyes === "asked" || p.plate.question !== "" || p.phase === "faulted" || p.phase === "absent");

function heater() {
  const name = h("dt");
  const value = h("dd");
  const target = h("span", { class: "of" });
  const actual = h("span");
  value.append(actual, target);
  const el = h("div", {}, name, value);
  return {
    el,
    update(t) {
      setText(name, heaterName(t.name));
      setText(actual, Math.round(t.actual_c) + " °C");
      setText(target, t.target_c > 0 ? " of " + Math.round(t.target_c) : "");
    },
  };
}

export function bay(first) {
  const name = first.name;
  const picture = silhouette();
  const mark = h("span", { class: "phase-mark", "aria-hidden": "true" });
  const phase = h("span");
  const done = h("span", { class: "done" });
  const wanted = h("span", { class: "wanted" });
  const height = h("p", { class: "height" }, done, " ", wanted);
  const bar = h("progress", { class: "unseen", max: "100", value: "0", "aria-label": "Height done of " + name });
  const part = h("p", { class: "part" });
  const end = h("p", { class: "end" });
  const why = h("p", { class: "why" });
  const heat = h("dl", { class: "heat" });
  const warnings = h("ul", { class: "job-warnings" });
  const facts = h("ul", { class: "facts" });
  const menu = h("details", { class: "more" }, h("summary", {}, "More", h("span", { class: "unseen" }, " about " + name)));
  const kind = h("p", { class: "quiet" });
  const link = h("p", { class: "quiet" });
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  let p = first;
  const hold = h("button", { type: "button", class: "act plain", onclick: () => pause(p, hold, wrong) }, "Pause");
  const halt = h("button", { type: "button", class: "act warn plain", onclick: () => emergencyDialog(p) }, "Emergency stop…");
  const stop = h("button", { type: "button", class: "act warn", onclick: () => stopDialog(p) }, "Stop…");
  const give = h("button", { type: "button", class: "act plain", onclick: () => lend(p, give, wrong) }, "Lend");
  const back = h("button", { type: "button", class: "act plain", onclick: () => takeBack(p, back, wrong) }, "Take back");
  const fit = h("button", { type: "button", class: "act plain", onclick: () => fitDialog(p) }, "What is fitted…");
  const service = h("button", { type: "button", class: "act plain", onclick: () => serviceDialog(p, service, wrong) });
  menu.append(kind, link, h("div", { class: "acts" }, stop, give, back, fit, service, hold, halt), wrong);

  const el = h(
    "article",
    { class: "bay", "aria-labelledby": idOf("bay", name) },
    picture.el,
    h(
      "div",
      { class: "bay-words" },
      h("header", {}, h("h3", { id: idOf("bay", name) }, h("a", { href: "/machine/" + encodeURIComponent(name) }, name)), h("p", { class: "phase" }, mark, phase)),
      height, bar, part, end, why, warnings,
    ),
    h("div", { class: "bay-rest" }, heat, facts, menu),
  );

  let wasPhase = first.phase;

  function tick() {
    if (p.run && p.phase !== "absent") {
      const left = until(p.run.ends_at);
      setText(end, left > 0 ? "until " + clock(p.run.ends_at) + ", " + span(left) + " left" : "should end any moment");
    } else if (p.next_start) {
      const left = until(p.next_start);
      setText(end, left > 0 ? "starts job " + p.next_job + " in " + span(left) : "starts job " + p.next_job);
    } else {
      setText(end, "");
    }
    show(end, end.textContent !== "");
  }

  function update(next) {
    p = next;
    const run = p.run;
    const lies = !run && p.plate.state === "occupied" && p.plate.height_mm > 0;
    const outOf = p.out_of_service;
    setAttr(el, "data-phase", p.phase);
    setAttr(el, "data-hands", waitsForHands(p) ? "" : null);
    const toClear = p.phase === "ready" && p.plate.question !== "";
    setText(mark, toClear ? "▣" : (phaseMarks[p.phase] ?? "•"));
    setText(phase, outOf ? "out of service" : toClear ? "plate to clear" : (phaseWords[p.phase] ?? p.phase));
    if (p.phase !== wasPhase) {
      say(name + ": " + (phaseWords[p.phase] ?? p.phase) + ".");
      wasPhase = p.phase;
    }

    picture.update({
      heightMM: run ? run.height_mm : lies ? p.plate.height_mm : 0,
      widthMM: run ? run.width_mm : p.plate.width_mm,
      doneMM: run ? run.completed_mm : (p.plate.completed_mm ?? 0),
      outline: run ? run.outline : p.plate.outline,
      state: run ? (p.phase === "absent" || p.phase === "faulted" ? "broken" : "printing") : lies && (p.plate.completed_mm ?? 0) < p.plate.height_mm ? "broken" : "still",
      hot: p.phase === "warming",
    });

    show(height, Boolean(run || lies));
    show(bar, Boolean(run));
    if (run) {
      setText(done, mm(run.completed_mm));
      setText(wanted, "of " + mm(run.height_mm) + " mm");
      setAttr(bar, "value", run.height_mm > 0 ? ((100 * run.completed_mm) / run.height_mm).toFixed(0) : 0);
    } else if (lies) {
      setText(done, mm(p.plate.completed_mm));
      setText(wanted, "of " + mm(p.plate.height_mm) + " mm");
    }
    setText(part, run ? run.part : p.plate.state === "occupied" ? (p.plate.part ?? "") : "");
    show(part, part.textContent !== "");
    // While it prints, the layer says more than the part's name once again.
    const plain = run && p.phase === "printing" && p.why.includes(run.part);
    setText(why, outOf ? outOf : plain ? "layer " + Math.min(run.layers_done + 1, run.layers) + " of " + run.layers : p.why);
    // What counts down is said once.
    show(why, why.textContent !== "" && (Boolean(outOf) || !p.next_start));

    keyed(heat, p.heaters ?? [], (t) => t.name, heater);
    show(heat, (p.heaters ?? []).length > 0);

    const words = [
      ["Plate", [p.plate.surface, p.plate.state === "off" ? "not fitted" : p.plate.state].filter(Boolean).join(", ")],
      ["Spool", p.spool.material ? [p.spool.material, p.spool.colour].filter(Boolean).join(" ") + (p.spool.grams_left > 0 ? ", " + grams(p.spool.grams_left) : "") : "none"],
      ["Nozzle", p.nozzle_mm > 0 ? size(p.nozzle_mm) + " mm" : "not known"],
    ];
    keyed(facts, words, ([n]) => n, fact);

    setText(kind, p.kind + ", takes " + p.volume_mm.map(size).join(" × ") + " mm, " + (p.circuit ? "on circuit " + p.circuit : "on no circuit"));
    setText(link, [p.firmware, p.path, run ? "line " + run.line.toLocaleString("en-GB") + " of " + run.lines.toLocaleString("en-GB") : "", p.resends ? p.resends + " resends" : ""].filter(Boolean).join(" · "));
    keyed(warnings, p.warnings ?? [], (w) => w.cause + w.text, (w) => ({ el: h("li", {}, "△ " + w.text), update() {} }));
    show(warnings, (p.warnings ?? []).length > 0);
    show(hold, Boolean(run) && p.phase === "printing" && !p.held);
    show(halt, p.phase !== "absent");
    show(stop, Boolean(run));
    show(give, !run && p.phase === "ready");
    show(back, p.phase === "lent" || p.phase === "faulted");
    setText(service, outOf ? "Put back in service" : "Out of service…");
    tick();
  }
  return { el, update, tick };
}

function fact([name]) {
  const value = h("span");
  const el = h("li", {}, h("span", { class: "fact-name" }, name + " "), value);
  return { el, update: ([, text]) => setText(value, text) };
}
