// The build as a board: every piece that is wanted stands on its assembly's
// shelf as its own side silhouette, all to one scale, drawn by its state.

import { h, idOf, keyed, setAttr, setText, show } from "./dom.js";
import { many } from "./words.js";
import { shape } from "./shape.js";

export const stateNames = {
  good: "good", plate: "on a plate", join: "to be joined", running: "running", broken: "to decide on", waiting: "waits", missing: "no job yet",
};

const tallestU = 132; // of the tallest piece
const leastU = 12;
const mostPieces = 60; // of one part that are drawn one by one

// the first shape that any file of a part has
export function shapeOf(part) {
  for (const w of part.ways) {
    const f = w.files.find((f) => f.outline?.length) ?? w.files.find((f) => f.height_mm > 0);
    if (f) return f;
  }
  return null;
}

// piecesOf lists the states of a part's wanted pieces, the furthest first. jobs
// are those that make it; they tell what its counts do not: what is to be joined
// or decided on.
export function piecesOf(part, jobs) {
  const join = Math.min(part.on_plate, jobs.filter((j) => toJoin(j)).length);
  const broken = Math.min(part.waiting, jobs.filter((j) => j.state === "needs-decision").length);
  return [
    ["good", part.good], ["join", join], ["plate", part.on_plate - join], ["running", part.running],
    ["broken", broken], ["waiting", part.waiting - broken], ["missing", part.missing],
  ].filter(([, n]) => n > 0);
}

// toJoin tells whether a job's print is good and waits for the glue.
export const toJoin = (j) => j.remainder_of > 0 && j.state === "awaits-yield" && !j.printer;

export const countWords = (pieces) => pieces.map(([state, n]) => n + " " + stateNames[state]).join(", ");

// makes tells whether a job is for a part.
export const makes = (j, part, assembly) =>
  (j.yields?.length ? j.yields : [j]).some((y) => y.part === part && (y.assembly ?? j.assembly ?? "") === assembly);

function part({ p, a }) {
  const pieces = h("span", { class: "board-pieces" });
  const name = h("span", { class: "board-name" }, p.name);
  const count = h("span", { class: "board-count" });
  const words = h("span", { class: "unseen" });
  const el = h("li", { class: "board-part" }, h("a", { href: "#" + idOf("part", a.name + "/" + p.name) }, pieces, h("span", { class: "board-words" }, name, " ", count), words));
  el.firstChild.addEventListener("click", () => {
    const details = document.getElementById(idOf("part", a.name + "/" + p.name))?.closest("details");
    if (details) details.open = true;
  });
  let drawn = "";
  return {
    el,
    update({ p, a, jobs, shares, scale }) {
      const list = piecesOf(p, jobs);
      const f = shapeOf(p);
      const hh = Math.max(leastU, (f?.height_mm ?? 40) * scale);
      const w = Math.min(190, Math.max(leastU, (f?.width_mm || f?.height_mm || 40) * scale));
      const key = [list.join(), shares.join(), hh, w, f?.sha256].join("|");
      setText(count, p.good + " of " + p.wanted);
      setText(words, ": " + countWords(list));
      if (key === drawn) return;
      drawn = key;
      const all = [];
      let running = 0;
      for (const [state, n] of list) {
        for (let i = 0; i < n && all.length < mostPieces; i++) {
          all.push(shape({ outline: f?.outline, w, h: hh, state, share: state === "running" ? (shares[running++] ?? 0.02) : 0 }));
        }
      }
      pieces.replaceChildren(...all);
      setAttr(el, "data-done", p.good >= p.wanted && p.wanted > 0 ? "" : null);
    },
  };
}

function shelf(a) {
  const head = h("h3", { class: "shelf-name" });
  const list = h("ul", { class: "shelf" });
  return {
    el: h("div", { class: "shelf-box" }, head, list),
    update({ a, jobs, runs, scale }) {
      setText(head, a.name || "Not in an assembly");
      keyed(list, a.parts.map((p) => {
        const mine = jobs.filter((j) => makes(j, p.name, a.name));
        const shares = mine.map((j) => runs.get(j.id)).filter((s) => s !== undefined);
        return { p, a, jobs: mine, shares, scale };
      }), (x) => x.p.name, part);
    },
  };
}

export function board(place) {
  const shelves = h("div", { class: "shelves" });
  const key = h("ul", { class: "board-key" }, Object.entries(stateNames).map(([state, word]) =>
    h("li", {}, shape({ outline: [[0.1, 0.9], [0, 1], [0.25, 0.75]], w: 16, h: 20, state, share: state === "running" ? 0.5 : 0 }), word)));
  const none = h("p", { class: "quiet", hidden: true }, "No parts yet: add files, or take in a list.");
  place.append(shelves, none, key);
  return {
    // update draws build b; runs gives the share of height done by job number.
    update(b, jobs, runs) {
      const assemblies = b.assemblies.filter((a) => a.parts.length > 0);
      const tallest = Math.max(40, ...assemblies.flatMap((a) => a.parts.map((p) => shapeOf(p)?.height_mm ?? 0)));
      keyed(shelves, assemblies.map((a) => ({ a, jobs, runs, scale: tallestU / tallest })), (x) => x.a.name, shelf);
      show(none, assemblies.length === 0);
      show(key, assemblies.length > 0);
      setAttr(place, "aria-label", many(b.wanted, "piece", "pieces"));
    },
  };
}
