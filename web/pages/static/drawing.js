// A drawing that the daemon made, rebuilt here from shapes alone: nothing in it
// that is not a shape, a text or a number comes into the page.

import { s } from "./dom.js";

const shapes = new Set(["svg", "g", "title", "rect", "path", "text", "line", "circle", "polyline", "polygon"]);
const attributes = new Set(["viewBox", "x", "y", "width", "height", "d", "fill", "stroke", "stroke-width", "stroke-dasharray", "font-size", "text-anchor", "x1", "y1", "x2", "y2", "cx", "cy", "r", "points", "role", "opacity", "transform"]);

export function drawing(text) {
  const parsed = new DOMParser().parseFromString(text, "image/svg+xml");
  if (parsed.querySelector("parsererror")) return null;
  return rebuilt(parsed.documentElement, 0);
}

function rebuilt(from, depth) {
  if (!shapes.has(from.localName) || depth > 20) return null;
  const props = {};
  for (const a of from.attributes) if (attributes.has(a.name)) props[a.name] = a.value;
  const el = s(from.localName, props);
  for (const kid of from.childNodes) {
    if (kid.nodeType === Node.TEXT_NODE) el.append(kid.data);
    else if (kid.nodeType === Node.ELEMENT_NODE) {
      const k = rebuilt(kid, depth + 1);
      if (k) el.append(k);
    }
  }
  return el;
}
