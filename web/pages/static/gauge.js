// A figure with its bar: how much of a whole is done.

import { h, setAttr, setText, show } from "./dom.js";

export function gauge(title) {
  const big = h("strong");
  const of = h("span", { class: "of" });
  const fill = h("div", { class: "bar-fill" });
  const note = h("p", { class: "quiet" });
  const bar = h("div", { class: "bar", "aria-hidden": "true" }, fill);
  const el = h("div", { class: "gauge" }, title && h("p", { class: "quiet" }, title), h("p", {}, big, " ", of), bar, note);
  return {
    el,
    update(done, rest, share, words) {
      setText(big, done);
      setText(of, rest);
      fill.style.width = Math.round(1000 * Math.min(1, Math.max(0, share || 0))) / 10 + "%";
      setAttr(bar, "data-full", share >= 1 ? "" : null);
      setText(note, words ?? "");
      show(note, Boolean(words));
    },
  };
}
