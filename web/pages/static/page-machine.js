// One machine: its piece and what it does, its heat, its line, what it did lately.

import { h, keyed, s, setText, show } from "./dom.js";
import { shell } from "./shell.js";
import { bay } from "./bay.js";
import { get, printerPath } from "./ask.js";
import { causeWord, clock, grams, heaterName, mm, now, span } from "./words.js";

const at = (id) => document.getElementById(id);
const name = decodeURIComponent(location.pathname.split("/")[2] ?? "");
const kept = 900; // samples of heat
let samples = [];
let shown = new Map();
let runId;

setText(at("machine-name"), name);

const chart = s("svg", { class: "heat-chart", viewBox: "0 0 480 160", "aria-hidden": "true" });
at("heat").append(chart);

function drawHeat(p) {
  samples.push({ at: now(), heaters: p.heaters ?? [] });
  samples = samples.slice(-kept);
  const names = (p.heaters ?? []).map((t) => t.name);
  const most = Math.max(50, ...samples.flatMap((q) => q.heaters.map((t) => Math.max(t.actual_c, t.target_c)))) * 1.1;
  const from = samples[0].at;
  const wide = Math.max(1, now() - from);
  const y = (c) => 150 - (140 * Math.max(0, c)) / most;
  chart.replaceChildren(
    ...names.map((n, i) => s("polyline", { class: i > 0 ? "second" : "", points: samples.map((q) => [q, q.heaters.find((t) => t.name === n)]).filter(([, t]) => t).map(([q, t]) => ((400 * (q.at - from)) / wide).toFixed(1) + "," + y(t.actual_c).toFixed(1)).join(" ") })),
    ...(p.heaters ?? []).map((t) => s("text", { x: 406, y: y(t.actual_c) + 4 }, heaterName(t.name) + " " + Math.round(t.actual_c))),
  );
}

function run(r) {
  const took = r.ended_at ? (Date.parse(r.ended_at) - Date.parse(r.started_at)) / 1000 : 0;
  const facts = [clock(r.started_at), "estimated " + span(r.estimate_s), took > 0 && "took " + span(took), r.ended_at && mm(r.completed_mm) + " mm", r.ended_at && grams(r.grams), r.resends > 0 && r.resends + " resends"];
  return {
    el: h("li", { class: "job" }, h("p", { class: "job-number" }, String(r.job_id)),
      h("div", { class: "job-words" }, h("p", { class: "job-part" }, r.part), h("p", { class: "job-facts" }, facts.filter(Boolean).join(" · ")), r.cause && h("p", { class: "job-note" }, causeWord(r.cause))),
      h("p", { class: "job-state" }, r.result || "running")),
    update() {},
  };
}

async function fetchRuns() {
  try {
    const list = await get(printerPath(name, "runs"));
    keyed(at("runs"), list, (r) => r.id + r.result, run);
  } catch (e) {
    setText(at("runs-wrong"), e.message);
    show(at("runs-wrong"), true);
  }
}

shell({
  update(view) {
    const p = view.printers.find((q) => q.name === name);
    show(at("machine-none"), !p);
    show(at("machine"), Boolean(p));
    if (!p) return;
    shown = keyed(at("machine-bay"), [p], (q) => q.name, bay);
    drawHeat(p);
    const l = p.link;
    keyed(at("line"), [
      l.rtt_p50_ms > 0 && "Answers within " + l.rtt_p50_ms + " ms, 99 of 100 within " + l.rtt_p99_ms + " ms",
      l.line_share > 0 && Math.round(100 * l.line_share) + " % of what the line can carry",
      p.resends + " resends, " + l.timeouts + " answers missing",
      l.audits > 0 && l.audits + " positions asked for and found right",
      l.numbered ? "Its firmware checks line numbers: no line is lost unnoticed" : "Its firmware was not seen to check line numbers",
      l.starved_s > 0 && "Stood still for want of lines for " + span(l.starved_s),
    ].filter(Boolean), (t) => t, (t) => ({ el: h("li", {}, t), update() {} }));
    const id = p.run?.id ?? 0;
    if (id !== runId) {
      runId = id;
      fetchRuns();
    }
  },
  tick() {
    for (const b of shown.values()) b.tick();
  },
});
