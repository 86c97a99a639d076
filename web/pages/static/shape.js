// A piece as its side silhouette alone, without a bay around it: for boards of
// many pieces and for a file that is looked at.

import { s } from "./dom.js";
import { at } from "./silhouette.js";

const box = [[0.06, 0.94]];

// fill is the pattern of laid layers, one for all shapes on the page.
let fill = null;
function laidFill() {
  if (!fill) {
    fill = s("svg", { class: "unseen", "aria-hidden": "true", focusable: "false" }, s("defs", {}, s("pattern", { id: "shape-laid", width: 6, height: 3, patternUnits: "userSpaceOnUse" },
      s("rect", { class: "laid-under", width: 6, height: 3 }), s("rect", { class: "laid-line", width: 6, height: 1 }))));
    document.body.append(fill);
  }
  return "url(#shape-laid)";
}

// path runs around the outline from the plate up to the share `to`.
function around(outline, w, h, to) {
  const o = outline?.length ? outline : box;
  const n = o.length;
  const shares = [0];
  for (let i = 0; i < n && (i + 0.5) / n < to; i++) shares.push((i + 0.5) / n);
  shares.push(to);
  const point = (side) => (t) => (2 + at(o, t)[side] * w).toFixed(1) + "," + (2 + (1 - t) * h).toFixed(1);
  return "M" + shares.map(point(0)).join("L") + "L" + shares.reverse().map(point(1)).join("L") + "Z";
}

function zigzag(w, y) {
  let d = "M0," + y.toFixed(1);
  const n = Math.max(4, Math.round(w / 6));
  for (let i = 1; i <= n; i++) d += "L" + ((i * (w + 4)) / n).toFixed(1) + "," + (y + (i % 2 ? -3 : 3)).toFixed(1);
  return d;
}

// shape draws one piece of w by h units. Each state has its own form, beside its
// colour: filled (good), filled with a bar on top (on the plate), filled as far as
// it is laid (running), dashed (waits), dotted (missing), dashed with a break
// (to decide, or failed a later look).
export function shape({ outline, w, h, state, share = 1 }) {
  const el = s("svg", { class: "shape shape-" + state, viewBox: `0 0 ${(w + 4).toFixed(1)} ${(h + 5).toFixed(1)}`, width: (w + 4).toFixed(1), height: (h + 5).toFixed(1), "aria-hidden": "true", focusable: "false" });
  const filled = state === "good" || state === "plate" || state === "join";
  if (filled) {
    el.append(s("path", { d: around(outline, w, h, 1), fill: laidFill(), class: "shape-fill" }));
    if (state !== "good") el.append(s("path", { class: "shape-open", d: around(outline, w, h, 1) }));
  } else {
    el.append(s("path", { class: "shape-ghost", d: around(outline, w, h, 1) }));
    if (share > 0 && share < 1) {
      el.append(s("path", { class: "shape-laid", d: around(outline, w, h, share) }), s("path", { class: "shape-front", d: `M0,${(2 + (1 - share) * h).toFixed(1)}H${(w + 4).toFixed(1)}` }));
    }
  }
  if (state === "broken") el.append(s("path", { class: "shape-broken", d: zigzag(w, 2 + h * 0.45) }));
  el.append(s("path", { class: "shape-plate", d: `M0,${h + 3}H${(w + 4).toFixed(1)}` }));
  return el;
}
