// What if: somebody away, a printer out, a date. Only a copy of the plan is
// touched.

import { h, keyed } from "./dom.js";
import { clock, instant, many, span } from "./words.js";
import { doing, post } from "./ask.js";
import { field } from "./dialogs.js";

const shift = (min) => (min === 0 ? "the same" : span(Math.abs(min) * 60) + (min > 0 ? " later" : " sooner"));

export function whatIf(place) {
  const time = () => h("input", { type: "datetime-local" });
  const from = time();
  const to = time();
  const printer = h("select", {});
  const until = time();
  const what = h("select", {});
  const by = time();
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  const ok = h("button", { type: "submit", class: "act" }, "Work it out");
  const answer = h("div", { class: "what-answer", role: "status" });
  place.append(h("form", { onsubmit: (e) => {
    e.preventDefault();
    doing(ok, wrong, async () => tell(await post("/api/what-if", asked())));
  } },
    h("fieldset", {}, h("legend", {}, "Nobody is home"), h("div", { class: "fields" }, field("from", from), field("to", to))),
    h("fieldset", {}, h("legend", {}, "A printer is out"), h("div", { class: "fields" }, field("which", printer), field("until", until))),
    h("fieldset", {}, h("legend", {}, "Something must be done"), h("div", { class: "fields" }, field("which", what), field("by", by))),
    wrong, h("div", { class: "acts" }, ok, h("span", { class: "hint" }, "The plan stays as it is."))), answer);

  // asked reads the form; what is half filled is said, not guessed.
  function asked() {
    const q = {};
    const both = (a, b, words) => {
      if (Boolean(a) !== Boolean(b)) throw new Error(words);
      return Boolean(a);
    };
    if (both(from.value, to.value, "Nobody is home: say from when and to when.")) q.away = [{ from: instant(from.value), to: instant(to.value) }];
    if (both(printer.value, until.value, "A printer is out: say which and until when.")) q.out = [{ printer: printer.value, until: instant(until.value) }];
    if (both(what.value, by.value, "Something must be done: say what and by when.")) {
      const [kind, ...name] = what.value.split(":");
      q.needed = [{ by: instant(by.value), ...(kind === "job" ? { jobs: [Number(name[0])] } : { assembly: name.join(":") }) }];
    }
    if (Object.keys(q).length === 0) throw new Error("Say at least one thing that is otherwise.");
    return q;
  }

  function tell(a) {
    const row = (x) => h("tr", {}, h("th", { scope: "row" }, x.name), h("td", {}, clock(x.was)), h("td", {}, clock(x.is)), h("td", {}, shift(x.later_min)));
    const table = (title, rows) => rows.length > 0 && h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": title }, h("table", {}, h("caption", {}, title), h("thead", {}, h("tr", {}, ["", "as planned", "then", ""].map((w, i) => (w ? h("th", { scope: "col" }, w) : h("td", {}))))), h("tbody", {}, rows.map(row))));
    answer.replaceChildren(...[
      h("p", { class: "what-big" }, (a.later_min > 0 ? "▲ " : a.later_min < 0 ? "▼ " : "= ") + (a.text ? a.text[0].toUpperCase() + a.text.slice(1) + "." : shift(a.later_min))),
      h("p", {}, "Done " + clock(a.is) + " instead of " + clock(a.was) + "." + (a.late_min > 0 ? " After their dates, all together: " + span(a.late_min * 60) + "." : "")),
      table("Assemblies", a.assemblies.filter((x) => x.later_min !== 0)),
      table("Jobs", a.jobs.slice(0, 20)),
      a.jobs.length > 20 && h("p", { class: "quiet" }, "and " + many(a.jobs.length - 20, "job", "jobs") + " more"),
      a.left_out.length > 0 && h("p", {}, "Left out: " + a.left_out.map((l) => l.part + " (" + l.why + ")").join(", ") + "."),
    ].filter(Boolean));
  }

  const option = (v, word) => ({ el: h("option", { value: v }, word), update() {} });
  let filled = "";
  return {
    update(view, plan) {
      const printers = view.printers.filter((p) => p.kind !== "by-hand").map((p) => p.name);
      const things = [...(plan?.assemblies ?? []).filter((a) => a.name).map((a) => ["assembly:" + a.name, "all of " + a.name]), ...view.jobs.filter((j) => j.state === "queued").slice(0, 200).map((j) => ["job:" + j.id, "job " + j.id + ", " + j.part])];
      const key = printers.join() + things.join();
      if (key === filled) return;
      filled = key;
      keyed(printer, [["", "none"], ...printers.map((n) => [n, n])], ([v]) => v, ([v, w]) => option(v, w));
      keyed(what, [["", "nothing"], ...things], ([v]) => v, ([v, w]) => option(v, w));
    },
  };
}
