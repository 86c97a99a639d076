// Ahead: the plan as a time chart, when somebody must go down, when it is done as
// a range, what would make it sooner, and what if.

import { h, keyed, setText, show } from "./dom.js";
import { clock, many, now, span } from "./words.js";
import { shell } from "./shell.js";
import { fresh } from "./fresh.js";
import { chart } from "./chart.js";
import { ranges } from "./ranges.js";
import { whatIf } from "./what-if.js";
import { doing, get, post } from "./ask.js";

const at = (id) => document.getElementById(id);
let view = null;
let plan = null;
let windows = { home: [], cold: [] };

const wrong = (text) => {
  setText(at("ahead-wrong"), text);
  show(at("ahead-wrong"), text !== "");
};

const picture = chart(at("chart"), chosen);
const range = ranges(at("forecast"));
const question = whatIf(at("what-if"));

const plans = fresh(() => "/api/plan", async (got) => {
  plan = got;
  const ends = plan.printers.flatMap((p) => [p.ends, ...p.steps.map((x) => x.free)]).filter(Boolean).map(Date.parse);
  const to = new Date(Math.max(now() + 12 * 3600e3, ...ends) + 6 * 3600e3).toISOString();
  try {
    windows = await get("/api/windows?from=" + encodeURIComponent(new Date(now() - 6 * 3600e3).toISOString()) + "&to=" + encodeURIComponent(to));
  } catch (e) {
    wrong(e.message);
  }
  draw();
}, wrong);
const visits = fresh(() => "/api/visits", drawVisits, wrong);
const forecast = fresh(() => "/api/forecast", (f) => range.update(f, plan, view), wrong);
const advice = fresh(() => "/api/advice", drawAdvice, wrong);

at("chart-key").append(...[["running", "running"], ["planned", "planned"], ["late", "△ after its date"], ["home", "somebody home"], ["cold", "nothing may be hot"]].map(([k, word]) => h("li", {}, h("span", { class: "key key-" + k, "aria-hidden": "true" }), word)));

// chosen tells of one bar what a person may want to know of it.
function chosen(p, q) {
  const lines = q
    ? ["Job " + q.job_id + (q.assembly ? ", " + q.assembly : "") + ". From " + clock(q.start) + " to " + clock(q.end) + "; its plate can be cleared from " + clock(q.free) + ".",
      q.attended ? "Somebody must be there to start it, for " + q.hands_min + " min." : "It starts by itself.",
      (q.changes ?? []).length ? "Before: " + q.changes.join(", ") + "." : "",
      q.wait ? "Not sooner: " + q.wait.text + "." + (q.wait.if_now ? " If it started now: " + q.wait.if_now + "." : "") : "It starts as soon as the printer is free.",
      (q.calls ?? []).length ? "Hands are wanted in mid-print at " + q.calls.map((c) => clock(c)).join(", ") + "." : "",
      q.late_min > 0 ? "△ That is " + span(q.late_min * 60) + " after its date." : ""]
    : ["Printing until " + clock(p.ends) + "; its plate can be cleared from " + clock(p.free) + "."];
  at("step").replaceChildren(h("div", { class: "step-card", role: "status" }, h("h3", {}, p.name + ": " + (q ? q.part : p.running)), lines.filter(Boolean).map((l) => h("p", {}, l))));
}

function draw() {
  if (!plan || !view) return;
  show(at("without"), plan.without !== "");
  setText(at("without"), plan.without ? "There is no plan that holds now: " + plan.without : "");
  picture.draw(plan, windows, now());
  const rows = plan.printers.flatMap((p) => [
    ...(p.running ? [{ p, what: p.running, from: "now", to: p.ends ? clock(p.ends) : "", why: "running" }] : []),
    ...p.steps.map((q) => ({ p, what: q.part, from: clock(q.start), to: clock(q.end), why: q.wait?.text ?? "as soon as the printer is free" })),
  ]);
  at("plan-list").replaceChildren(rows.length === 0 ? h("p", { class: "quiet" }, "Nothing is planned.") : h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "The plan as a list" }, h("table", {},
    h("thead", {}, h("tr", {}, ["Printer", "What", "From", "To", "Why not sooner"].map((w) => h("th", { scope: "col" }, w)))),
    h("tbody", {}, rows.map((r) => h("tr", {}, h("th", { scope: "row" }, r.p.name), h("td", {}, r.what), h("td", {}, r.from), h("td", {}, r.to), h("td", {}, r.why)))))));
  at("left-out").replaceChildren(...(plan.left_out.length ? [h("h3", {}, "Not in the plan"), h("ul", { class: "left-out" }, plan.left_out.map((l) => h("li", {}, "‖ Job " + l.job_id + ", " + l.part + ": " + l.why)))] : []), ...plan.notes.map((n) => h("p", { class: "quiet" }, n)));
  question.update(view, plan);
}

function drawVisits(v) {
  show(at("visits-none"), v.visits.length === 0);
  at("visits").replaceChildren(...v.visits.map((x) => h("li", { class: "visit" },
    h("p", { class: "visit-when" }, h("strong", {}, clock(x.from)), " to " + clock(x.to) + " · " + many(new Set(x.errands.map((e) => e.printer)).size, "printer", "printers")),
    h("ul", {}, x.errands.map((e) => h("li", {}, h("span", { class: "visit-at" }, e.printer), h("span", {}, e.text, h("span", { class: "quiet" }, " " + clock(e.at)))))))));
}

function drawAdvice(a) {
  show(at("advice-none"), a.changes.length === 0);
  setText(at("advice-none"), a.without || (a.tried ? "None of " + a.tried + " single changes that were tried would gain much." : "Nothing was tried."));
  at("advice").replaceChildren(...a.changes.map((c) => h("li", {}, h("p", { class: "advice-gain" }, h("strong", {}, span(c.sooner_min * 60)), " sooner"), h("p", {}, c.what), h("p", { class: "quiet" }, "done " + clock(c.done)))));
}

// The feed's address is a secret: it is shown when asked for.
const feedWrong = h("p", { class: "wrong", role: "alert", hidden: true });
const feed = h("p", { class: "feed", hidden: true });
const ask = (renew) => (e) => doing(e.currentTarget, feedWrong, async () => {
  const c = await post("/api/calendar", { renew });
  feed.replaceChildren(h("span", {}, "Whoever knows this address can read the visits: "), h("code", {}, new URL(c.path, location.href).href));
  show(feed, true);
});
at("calendar").append(h("button", { type: "button", class: "act small plain", onclick: ask(false) }, "Calendar for a phone"), h("button", { type: "button", class: "act small plain", onclick: ask(true) }, "A new address"), feed, feedWrong);

shell({
  update(next) {
    view = next;
    const mark = view.jobs.map((j) => j.id + j.state + j.printer + j.order + j.priority).join() + view.printers.map((p) => p.phase + p.plate.state + p.out_of_service).join() + view.hours.home + view.hours.cold;
    for (const part of [plans, visits, forecast, advice]) part.when(mark);
    question.update(view, plan);
  },
  tick() {
    if (plan) picture.tick(now());
  },
});
