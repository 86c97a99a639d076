// The queue: one row a job, with why it waits and what can be done.

import { h, keyed, setAttr, setText, show } from "./dom.js";
import { clock, grams, many, size, span, stateWord } from "./words.js";
import { doing, get, jobPath, post } from "./ask.js";
import { open } from "./dialogs.js";
import { jobDialog } from "./job-dialog.js";

const stateMarks = { queued: "○", "on-hold": "‖", running: "▲", "awaits-yield": "▣", "needs-decision": "✕" };

let house = null; // the view that the queue was last drawn from

function job(first) {
  let j = first;
  const mark = h("span", { class: "phase-mark", "aria-hidden": "true" });
  const state = h("span");
  const part = h("span", { class: "job-part" });
  const where = h("span", { class: "quiet" });
  const facts = h("p", { class: "job-facts" });
  const note = h("p", { class: "job-note" });
  const warnings = h("ul", { class: "job-warnings" });
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  const why = h("div", { class: "why-panel", hidden: true });
  const verb = (v) => (e) => doing(e.currentTarget, wrong, () => post(jobPath(j.id, v)));
  const name = () => h("span", { class: "unseen" }, " job " + j.id);
  const hold = h("button", { type: "button", class: "act small plain", onclick: verb("hold") }, "Hold", name());
  const release = h("button", { type: "button", class: "act small plain", onclick: verb("release") }, "Release", name());
  const cancel = h("button", { type: "button", class: "act small plain", onclick: () => open({
    title: "Cancel job " + j.id + "?",
    text: j.part + " is taken out of the queue for good.",
    yes: "Cancel the job",
    warn: true,
    request: () => post(jobPath(j.id, "cancel")),
  }) }, "Cancel…", name());
  const ask = h("button", { type: "button", class: "act small plain looks", "aria-expanded": "false", onclick: async () => {
    if (!why.hidden) {
      show(why, false);
      setAttr(ask, "aria-expanded", "false");
      return;
    }
    await doing(ask, wrong, async () => {
      fillWhy(why, await get(jobPath(j.id, "why")));
      show(why, true);
      setAttr(ask, "aria-expanded", "true");
    });
  } }, "Why?", name());

  const more = h("button", { type: "button", class: "act small plain", onclick: () => jobDialog(j, house) }, "Move, repeat…", name());

  const el = h(
    "li",
    { class: "job", "data-id": j.id },
    h("p", { class: "job-number" }, String(j.id)),
    h("div", { class: "job-words" }, h("p", {}, part, " ", where), facts, note, warnings),
    h("p", { class: "job-state" }, mark, state),
    h("div", { class: "acts job-acts" }, ask, h("span", { class: "changes job-changes" }, hold, release, cancel, more)),
    why,
    wrong,
  );
  return {
    el,
    update(next) {
      j = next;
      setAttr(el, "data-state", j.state);
      setText(mark, stateMarks[j.state] ?? "•");
      setText(state, stateWord(j.state) + (j.printer && j.state !== "queued" ? " on " + j.printer : ""));
      setText(part, j.part || j.file);
      setText(where, j.assembly);
      setText(facts, [
        size(j.size_mm[2]) + " mm high", span(j.estimate_s), grams(j.mass_g) + (j.material ? " " + j.material : ""),
        j.nozzle_mm > 0 ? size(j.nozzle_mm) + " mm nozzle" : "", j.kind, j.pieces > 1 ? many(j.pieces, "piece", "pieces") : "", j.runs > 1 ? "try " + j.runs : "",
        j.way ? "way “" + j.way + "”" : "", j.priority && j.priority !== "normal" ? j.priority : "", j.order > 0 ? "place " + j.order : "", j.due ? "wanted by " + clock(j.due) : "",
        j.only_on?.length ? "only on " + j.only_on.join(", ") : "", j.not_on?.length ? "not on " + j.not_on.join(", ") : "", j.remainder_of ? "the missing part of job " + j.remainder_of : "",
      ].filter(Boolean).join(" · "));
      setText(note, j.note);
      show(note, j.note !== "");
      keyed(warnings, j.warnings ?? [], (w) => w, (w) => ({ el: h("li", {}, "△ " + w), update() {} }));
      show(warnings, (j.warnings ?? []).length > 0);
      show(ask, j.state === "queued" || j.state === "on-hold");
      show(hold, j.state === "queued");
      show(release, j.state === "on-hold");
      show(cancel, j.state === "queued" || j.state === "on-hold");
    },
  };
}

function fillWhy(el, why) {
  el.replaceChildren(...[
    h("p", {}, why.summary),
    (why.or ?? []).length > 0 && h("ul", {}, why.or.map((o) => h("li", {}, "Or: " + o))),
    h("dl", {}, why.printers.flatMap((p) => [
      h("dt", {}, p.printer),
      ...(p.obstacles.length === 0 ? [h("dd", {}, "✓ could take it now")] : p.obstacles.map((o) => h("dd", {}, o.text, o.remedy ? h("span", { class: "remedy" }, "→ " + o.remedy) : null))),
    ])),
  ].filter(Boolean));
}

// waitingShown is how much of the queue is shown at first: what runs or wants a
// word always, of what waits the next few.
const waitingShown = 8;

// queue draws the jobs that only() lets through; without it, all.
export function queue({ only = () => true } = {}) {
  const list = document.getElementById("queue");
  const none = document.getElementById("queue-empty");
  const head = document.getElementById("queue-head");
  let all = false;
  let view = null;
  const more = h("button", { type: "button", class: "act small plain looks queue-more", hidden: true, "aria-controls": "queue", onclick: () => {
    all = !all;
    update(view);
  } });
  list.after(more);

  function update(v) {
    view = house = v;
    let waiting = 0;
    const jobs = v.jobs.filter(only);
    const shown = all ? jobs : jobs.filter((j) => j.state !== "queued" || ++waiting <= waitingShown);
    keyed(list, shown, (j) => j.id, job);
    show(none, jobs.length === 0);
    show(list, jobs.length > 0);
    setText(head, "Queue" + (jobs.length > 0 ? ": " + many(jobs.length, "job", "jobs") : ""));
    show(more, all || shown.length < jobs.length);
    setText(more, all ? "Show fewer" : "Show all " + jobs.length);
    setAttr(more, "aria-expanded", String(all));
  }
  return { update };
}
