// The plan as a time chart: a row for each printer, home hours as bands behind,
// cold hours hatched, now as a line. It is as wide as its time, and scrolls in its
// own box.

import { s, setAttr } from "./dom.js";
import { clock, dayName, hourOf } from "./words.js";

const hourU = 22; // width of an hour
const nameU = 84; // of the column of names
const rowU = 46;
const headU = 44;
const barU = 30;

export function chart(place, chosen) {
  const svg = s("svg", { class: "chart", role: "group", "aria-label": "Time chart" });
  const names = s("g", { class: "chart-names" });
  const defs = s("defs", {}, s("pattern", { id: "cold", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, s("path", { class: "cold-line", d: "M0,0V7" })),
    s("pattern", { id: "planned-fill", width: 6, height: 6, patternUnits: "userSpaceOnUse" }, s("rect", { class: "planned-under", width: 6, height: 6 })));
  const back = s("g");
  const bars = s("g");
  const line = s("path", { class: "now-line" });
  svg.append(defs, back, bars, line, names);
  place.replaceChildren(svg);
  let from = 0;
  let rows = 0;

  const x = (t) => nameU + ((Date.parse(t) - from) / 3600e3) * hourU;

  function bar(kind, a, b, y, label, detail, onclick) {
    const w = Math.max(4, b - a);
    const g = s("g", { class: "bar-" + kind, tabindex: "0", role: "button", "aria-label": detail });
    const clip = Math.floor((w - 10) / 7);
    // The box that fingers hit is as high as its row, and never narrower than one.
    g.append(s("rect", { class: "chart-hit", x: Math.min(a, a + w / 2 - 22), y, width: Math.max(44, w), height: rowU }),
      s("rect", { class: "chart-bar", x: a, y: y + (rowU - barU) / 2, width: w, height: barU, rx: 4 }));
    if (clip > 2) g.append(s("text", { x: a + 6, y: y + rowU / 2 + 4.5 }, (kind === "held" ? "‖ " : kind === "running" ? "▲ " : "") + (label.length > clip ? label.slice(0, clip - 1) + "…" : label)));
    g.addEventListener("click", onclick);
    g.addEventListener("keydown", (e) => {
      if (e.key !== "Enter" && e.key !== " ") return;
      e.preventDefault();
      onclick();
    });
    return g;
  }

  function draw(plan, windows, nowMs) {
    const ends = plan.printers.flatMap((p) => [p.ends, ...p.steps.map((x) => x.free)]).filter(Boolean).map(Date.parse);
    from = Math.floor(Math.min(nowMs, Date.parse(plan.at)) / 3600e3) * 3600e3 - 3600e3;
    const to = Math.min(from + 60 * 86400e3, Math.max(from + 12 * 3600e3, ...ends) + 3 * 3600e3);
    rows = plan.printers.length;
    const width = nameU + ((to - from) / 3600e3) * hourU;
    const height = headU + rows * rowU + 6;
    setAttr(svg, "viewBox", `0 0 ${width} ${height}`);
    setAttr(svg, "width", width);
    setAttr(svg, "height", height);
    back.replaceChildren(s("rect", { class: "chart-ground", x: 0, y: 0, width, height }));
    const band = (cls, w) => {
      const a = Math.max(nameU, x(w.from));
      const b = x(w.to);
      if (b > a) back.append(s("rect", { class: cls, x: a, y: headU - 4, width: Math.min(b, width) - a, height: height - headU }));
    };
    windows.home.forEach((w) => band("home-band", w));
    windows.cold.forEach((w) => band("cold-band", w));
    for (let t = from; t < to; t += 3600e3) {
      const hour = hourOf(t);
      const px = x(new Date(t).toISOString());
      if (hour % 6 === 0) {
        back.append(s("path", { class: hour === 0 ? "chart-day" : "chart-tick", d: `M${px},${hour === 0 ? 4 : headU - 10}V${height}` }), s("text", { class: "chart-hour", x: px + 4, y: headU - 10 }, String(hour).padStart(2, "0")));
        if (hour === 0) back.append(s("text", { class: "chart-date", x: px + 4, y: 16 }, dayName(t)));
      }
    }
    bars.replaceChildren();
    names.replaceChildren(s("rect", { class: "chart-cover", x: 0, y: 0, width: nameU - 4, height }));
    plan.printers.forEach((p, i) => {
      const y = headU + i * rowU;
      names.append(s("text", { class: "chart-name", x: 10, y: y + rowU / 2 + 5 }, p.name));
      back.append(s("path", { class: "chart-row", d: `M0,${y + rowU}H${width}` }));
      if (p.running && p.ends) {
        bars.append(bar("running", x(new Date(Math.max(from, Math.min(nowMs, Date.parse(p.ends)))).toISOString()), x(p.ends), y, p.running, p.name + " prints " + p.running + " until " + clock(p.ends), () => chosen(p, null)));
      }
      if (p.out) bars.append(s("text", { class: "chart-out", x: nameU + hourU + 6, y: y + rowU / 2 + 5 }, "✕ " + p.out));
      for (const q of p.steps) {
        if (Date.parse(q.start) > to) continue;
        bars.append(bar("planned" + (q.late_min > 0 ? " bar-late" : ""), x(q.start), x(q.end), y, (q.late_min > 0 ? "△ " : "") + q.part, p.name + ": " + q.part + ", " + clock(q.start) + " to " + clock(q.end), () => chosen(p, q)));
        for (const c of q.calls ?? []) bars.append(s("path", { class: "chart-call", d: `M${x(c)},${y + 4}l5,-0l-5,8l-5,-8z` }));
      }
    });
    tick(nowMs);
  }

  function tick(nowMs) {
    const px = x(new Date(nowMs).toISOString());
    setAttr(line, "d", `M${px.toFixed(1)},${headU - 8}V${headU + rows * rowU}M${px.toFixed(1)},${headU - 8}l-5,-7h10z`);
  }

  // The names stay where they are while the hours pass under them.
  const box = place.parentElement;
  box.addEventListener("scroll", () => setAttr(names, "transform", `translate(${box.scrollLeft},0)`), { passive: true });
  return { draw, tick };
}
