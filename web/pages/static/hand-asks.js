// What a person makes, or has still to say something of: jobs without a link that
// run, pieces whose yield nobody has said, halves that wait to be joined.

import { h, keyed, setText, show } from "./dom.js";
import { many, span } from "./words.js";
import { doing, jobPath, post } from "./ask.js";
import { field } from "./dialogs.js";
import { toJoin } from "./board.js";

const isHand = (j) => j.kind === "by-hand";

export function handAsks(section, place) {
  return {
    update(view, jobs) {
      const asks = jobs.flatMap((j) => {
        if (toJoin(j)) return [{ kind: "join", j }];
        if (j.state === "awaits-yield" && !j.printer) return [{ kind: "yield", j }];
        if (isHand(j) && j.state === "running") return [{ kind: "end", j }];
        if (isHand(j) && j.state === "queued") return [{ kind: "begin", j, printers: view.printers.filter((p) => p.kind === "by-hand") }];
        return [];
      });
      show(section, asks.length > 0);
      keyed(place, asks, (a) => a.kind + a.j.id, (a) => makers[a.kind](a));
    },
  };
}

function card(j, title, words, ...rest) {
  const id = "hand-" + j.id;
  return h("article", { class: "ask", "aria-labelledby": id }, h("h3", { id }, title), words && h("p", {}, words), ...rest);
}

const warn = () => h("p", { class: "wrong", role: "alert", hidden: true });

function begin({ j, printers }) {
  const wrong = warn();
  const where = h("select", {}, printers.map((p) => h("option", {}, p.name)));
  const go = h("button", { type: "button", class: "act", onclick: () => doing(go, wrong, () => post(jobPath(j.id, "begin"), { printer: where.value })) }, "It has begun");
  return {
    el: card(j, j.part + " by hand", many(j.pieces, "piece", "pieces") + (j.estimate_s > 0 ? ", " + span(j.estimate_s) : ""), h("div", { class: "changes" }, printers.length > 0 ? field("On", where) : h("p", { class: "hint" }, "No printer of kind by-hand stands in the configuration."), wrong, printers.length > 0 && h("div", { class: "acts" }, go))),
    update() {},
  };
}

// pieces asks how many are good; the request is made of the answer.
function pieces(verb, title, words, yes) {
  return ({ j }) => {
    const wrong = warn();
    const good = h("input", { type: "number", min: "0", max: j.pieces, step: "1", value: j.pieces, required: true, inputmode: "numeric" });
    const ok = h("button", { type: "submit", class: "act" }, yes);
    const what = h("p", {}, words(j));
    const el = card(j, title(j), null, what, h("form", { class: "changes", onsubmit: (e) => {
      e.preventDefault();
      doing(ok, wrong, () => post(jobPath(j.id, verb), { good: Number(good.value) }));
    } }, field("Good pieces, of " + j.pieces, good), wrong, h("div", { class: "acts" }, ok)));
    return { el, update: (a) => setText(what, words(a.j)) };
  };
}

function join({ j }) {
  const wrong = warn();
  const say = (good) => (e) => doing(e.currentTarget, wrong, () => post(jobPath(j.id, "joined"), { good }));
  return {
    el: card(j, j.part + ": join it", "Its missing part is printed. Join it to the good piece of job " + j.remainder_of + ", let the glue cure as its maker says, then look.",
      h("div", { class: "acts changes" }, h("button", { type: "button", class: "act", onclick: say(true) }, "Joined, cured and good"), h("button", { type: "button", class: "act plain", onclick: say(false) }, "It is not good")), wrong),
    update() {},
  };
}

const makers = {
  begin,
  join,
  end: pieces("end", (j) => j.part + " is being made", (j) => (j.printer ? "On " + j.printer + ". " : "") + "When it is done:", "It has ended"),
  yield: pieces("yield", (j) => j.part + ": which are good?", () => "It was printed, and nobody has said yet what is good.", "Note it"),
};
