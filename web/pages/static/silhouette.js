// A bay of the cellar as a drawing: under an arch lies the plate, on it stands
// the piece as its own side view, filled as far as its layers are down, with a
// rule in millimetres beside it.

import { s, setAttr, setText } from "./dom.js";
import { size } from "./words.js";

const W = 240; // of the drawing
const H = 268;
const floor = 238; // where the plate's surface lies
const tallest = 176; // of a drawn piece
const left = 26;
const widest = 140;
const ruleX = 196;

let serial = 0;

// box is the stand-in for a shape that is not known.
const box = Array.from({ length: 2 }, () => [0.1, 0.9]);

// place decides how large a piece is drawn: true to its proportions, but never
// so flat that its height cannot be read.
export function place(heightMM, widthMM) {
  const w = widthMM > 0 ? widthMM : heightMM;
  const scale = Math.min(tallest / heightMM, widest / w);
  const h = Math.min(tallest, Math.max(heightMM * scale, 92));
  return { h, w: Math.max(w * scale, 24) };
}

// at is the extent of the outline at a share of its height: the given extents
// are those of the middles of its steps, and between them it runs straight.
export function at(outline, share) {
  const n = outline.length;
  if (n === 1) return outline[0];
  const t = Math.min(n - 1, Math.max(0, share * n - 0.5));
  const i = Math.min(n - 2, Math.floor(t));
  const f = t - i;
  return [0, 1].map((k) => outline[i][k] + (outline[i + 1][k] - outline[i][k]) * f);
}

// path is the outline from the plate up to the share `to` of its height.
export function path(outline, x, h, w, to) {
  const n = outline.length;
  if (n === 0 || to <= 0) return "";
  const shares = [0];
  for (let i = 0; i < n && (i + 0.5) / n < to; i++) shares.push((i + 0.5) / n);
  shares.push(to);
  const f = (v) => v.toFixed(1);
  const point = (side) => (t) => f(x + at(outline, t)[side] * w) + "," + f(floor - t * h);
  return "M" + shares.map(point(0)).join("L") + "L" + shares.reverse().map(point(1)).join("L") + "Z";
}

// step is the distance between two figures on a rule of h units.
export function step(heightMM, h) {
  for (const mm of [1, 2, 5, 10, 20, 50, 100, 200, 500]) {
    if ((mm / heightMM) * h >= 26) return mm;
  }
  return 1000;
}

export function silhouette() {
  const id = "laid" + ++serial;
  const ghost = s("path", { class: "piece-ghost" });
  const laid = s("path", { class: "piece-laid", fill: "url(#" + id + ")" });
  const edge = s("path", { class: "piece-edge" });
  const front = s("path", { class: "piece-front" });
  const nozzle = s("path", { class: "piece-nozzle" });
  const broken = s("path", { class: "piece-broken" });
  const ticks = s("g", { class: "rule" });
  const mark = s("path", { class: "rule-mark" });
  const markText = s("text", { class: "rule-done" });
  const heat = s("path", { class: "niche-heat", d: "M84,220q-8,-8 0,-16t0,-16M102,220q-8,-8 0,-16t0,-16M120,220q-8,-8 0,-16t0,-16" });
  const el = s(
    "svg",
    { class: "niche", viewBox: `0 0 ${W} ${H}`, "aria-hidden": "true", focusable: "false" },
    s(
      "defs",
      {},
      s("pattern", { id, width: 8, height: 3, patternUnits: "userSpaceOnUse" }, s("rect", { class: "laid-under", width: 8, height: 3 }), s("rect", { class: "laid-line", width: 8, height: 1 })),
    ),
    s("path", { class: "niche-wall", d: `M2,${H} V104 A118,100 0 0 1 238,104 V${H} Z` }),
    s("path", { class: "niche-course", d: `M16,${H} V106 A104,88 0 0 1 224,106 V${H}` }),
    s("path", { class: "niche-floor", d: `M2,${floor + 8} H238 V${H} H2 Z` }),
    s("path", { class: "niche-plate", d: `M14,${floor} H188 V${floor + 7} H14 Z` }),
    ticks,
    ghost,
    laid,
    edge,
    front,
    nozzle,
    broken,
    heat,
    mark,
    markText,
  );

  let drawn = "";
  let heightMM = 0;
  let scale = 1; // drawn units a mm

  // heightAt is the height on the piece at a share of the drawing from its top.
  const heightAt = (share) => Math.min(heightMM, Math.max(0, (floor - share * H) / scale));

  // update draws p: {outline, heightMM, widthMM, doneMM, nowMM, state}; state is
  // "printing", "still" (it only lies there) or "broken"; without a height the plate
  // is empty.
  function update(p) {
    const key = p.heightMM > 0 ? [p.heightMM, p.widthMM, p.doneMM, p.nowMM, p.state, p.hot, p.outline?.length].join() : "empty" + p.hot;
    if (key === drawn) return;
    drawn = key;
    setAttr(heat, "display", p.hot ? null : "none");
    if (!(p.heightMM > 0)) {
      for (const part of [ghost, laid, edge, front, nozzle, broken, mark]) setAttr(part, "d", "");
      ticks.replaceChildren();
      setText(markText, "");
      return;
    }
    const outline = p.outline?.length ? p.outline : box;
    const { h, w } = place(p.heightMM, p.widthMM);
    heightMM = p.heightMM;
    scale = h / p.heightMM;
    const x = left + (widest - w) / 2;
    const share = Math.min(1, p.doneMM / p.heightMM);
    const y = floor - share * h;
    setAttr(ghost, "d", path(outline, x, h, w, 1));
    setAttr(laid, "d", path(outline, x, h, w, share));
    setAttr(edge, "d", path(outline, x, h, w, share));

    const [a, b] = at(outline, share);
    const printing = p.state === "printing" && share < 1;
    setAttr(front, "d", printing ? `M${x + a * w},${y}H${x + b * w}` : "");
    const mid = x + ((a + b) / 2) * w;
    setAttr(nozzle, "d", printing && !p.hot ? `M${mid},${y - 2}l-5,-7v-9h10v9z` : "");
    setAttr(broken, "d", p.state === "broken" ? zigzag(x + a * w - 6, x + b * w + 6, y) : "");

    const every = step(p.heightMM, h);
    const rows = [];
    for (let mm = 0; mm < p.heightMM - every * 0.45; mm += every) rows.push(mm);
    rows.push(p.heightMM);
    ticks.replaceChildren(
      s("path", { d: `M${ruleX},${floor}V${floor - h}` }),
      ...rows.flatMap((mm) => {
        const ty = floor - (mm / p.heightMM) * h;
        const clear = Math.abs(ty - y) > 9; // the mark's own figure goes first
        return [s("path", { d: `M${ruleX},${ty}h5` }), clear && s("text", { x: ruleX + 8, y: ty + 3.5 }, size(mm))];
      }).filter(Boolean),
    );
    setAttr(mark, "d", `M${ruleX - 1},${y}l-8,-4.5v9z`);
    setAttr(markText, "x", ruleX + 8);
    setAttr(markText, "y", y + 4);
    setText(markText, size(Math.round(p.doneMM * 10) / 10));
  }
  return { el, update, heightAt };
}

function zigzag(from, to, y) {
  const n = Math.max(3, Math.round((to - from) / 9));
  let d = `M${from.toFixed(1)},${y.toFixed(1)}`;
  for (let i = 1; i <= n; i++) d += `L${(from + ((to - from) * i) / n).toFixed(1)},${(y + (i % 2 ? -5 : i === n ? 0 : 4)).toFixed(1)}`;
  return d;
}
