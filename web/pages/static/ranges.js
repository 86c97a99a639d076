// When things will be done, as ranges: from the day by which one in ten builds
// like this would be done, to that by which nine in ten would.

import { h, keyed, setAttr, setText, show } from "./dom.js";
import { clock, many, now } from "./words.js";

function row() {
  const name = h("p", { class: "range-name" });
  const words = h("p", { class: "range-words" });
  const bar = h("div", { class: "range-bar" }, h("div", { class: "range-fill" }), h("div", { class: "range-mid" }));
  return {
    el: h("li", { class: "range" }, name, h("div", { class: "range-track", "aria-hidden": "true" }, bar), words),
    update({ x, from, to }) {
      const share = (t) => Math.min(100, Math.max(0, (100 * (Date.parse(t) - from)) / (to - from)));
      setText(name, x.name || "All of it");
      setText(words, clock(x.p50) + ", from " + clock(x.p10) + " to " + clock(x.p90));
      bar.firstChild.style.left = share(x.p10) + "%";
      bar.firstChild.style.width = Math.max(0.8, share(x.p90) - share(x.p10)) + "%";
      bar.lastChild.style.left = share(x.p50) + "%";
      setAttr(bar, "data-all", x.name ? null : "");
    },
  };
}

export function ranges(place) {
  const big = h("p", { class: "done-big" });
  const sure = h("p", {});
  const bound = h("p", { class: "quiet" });
  const list = h("ul", { class: "ranges" });
  const printers = h("ul", { class: "ranges" });
  const more = h("details", { class: "more" }, h("summary", {}, "By printer"), printers);
  const from = h("p", { class: "quiet" });
  place.append(h("div", {}, big, sure, bound, from), h("div", {}, list, more));
  return {
    update(f, plan, view) {
      const b = f.build;
      setText(big, b ? clock(b.p50) : f.without || "Not known");
      setText(sure, b ? "is as likely as not. Nine times in ten it is done by " + clock(b.p90) + ", one time in ten by " + clock(b.p10) + " already." : "");
      setText(bound, plan?.done ? "The plan ends " + clock(plan.done) + ". " + (plan.no_sooner ? "No plan can be done before " + clock(plan.no_sooner) + ": this one is at most " + plan.gap_percent.toFixed(1) + " % longer than the best." : "How much better the best plan could be is not proved.") : "");
      setText(from, b ? many(f.replays, "replay", "replays") + " of the plan with " + (f.runs ? "the errors of " + many(f.runs, "run", "runs") + " here" : "usual errors, since no run has ended here yet") + "; " + f.mishaps.toFixed(1) + " runs go wrong in the mean." : "");
      const all = [...(b ? [b] : []), ...f.assemblies];
      const start = now();
      const end = Math.max(start + 3600e3, ...[...all, ...f.printers].map((x) => Date.parse(x.p90)));
      const rows = (xs) => xs.map((x) => ({ x, from: start, to: end }));
      keyed(list, rows(all), (r) => r.x.name, row);
      keyed(printers, rows(f.printers), (r) => r.x.name, row);
      show(more, f.printers.length > 0);
    },
  };
}
