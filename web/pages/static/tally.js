// How far the build is, in pieces, hours and grams, for the head of every page.

import { h, setText, show } from "./dom.js";
import { grams, many } from "./words.js";

export function tally() {
  const place = document.getElementById("tally");
  const pieces = h("p", { class: "tally-pieces" });
  const count = h("strong");
  const of = h("span");
  pieces.append(count, of);
  const bar = h("div", { class: "bar", "aria-hidden": "true" });
  const filled = h("div", { class: "bar-fill" });
  bar.append(filled);
  const rest = h("p", { class: "quiet" });
  place.append(pieces, bar, rest);
  return {
    update({ tally: t }) {
      show(place, t.pieces_wanted > 0);
      setText(count, String(t.pieces_done));
      setText(of, " of " + many(t.pieces_wanted, "piece", "pieces") + " good");
      filled.style.width = (t.pieces_wanted > 0 ? Math.min(100, (100 * t.pieces_done) / t.pieces_wanted) : 0) + "%";
      setText(rest, Math.round(t.machine_hours_done) + " h of printing done, " + Math.round(t.machine_hours_left) + " h left · " + grams(t.grams_used) + " used");
    },
  };
}
