// Stock: reels, what is fitted on each printer, which plate suits which material,
// and what hangs on each circuit.

import { h, keyed, s, setAttr, setText, show } from "./dom.js";
import { clock, grams, size } from "./words.js";
import { shell } from "./shell.js";
import { fresh } from "./fresh.js";
import { fitDialog } from "./dialogs.js";
import { addReelDialog, historyDialog, loadDialog, retireDialog, rulesDialog, weighDialog } from "./reel-dialogs.js";

const at = (id) => document.getElementById(id);
let view = null;
let reels = [];

const wrong = (text) => {
  setText(at("stock-wrong"), text);
  show(at("stock-wrong"), text !== "");
};
const spools = fresh(() => "/api/spools", (got) => {
  reels = got;
  draw();
}, wrong);
const table = fresh(() => "/api/surfaces", drawSurfaces, wrong);

const act = (word, f) => h("button", { type: "button", class: "act small plain", onclick: f }, word);
at("stock-acts").append(act("Add a reel…", () => addReelDialog(spools.ask)), act("Rules…", () => rulesDialog(view.stock)), h("a", { class: "act small plain looks", href: "/reels", target: "_blank" }, "Sheet of reel numbers"));

// disc draws a reel from its side: what is wound on it reaches as far out as the
// grams left fill of its ring, the area being what counts.
const hub = 13;
const rim = 36;
function disc() {
  const wound = s("circle", { class: "reel-wound", cx: 40, cy: 40 });
  const rings = s("g", { class: "reel-rings" });
  const el = s("svg", { class: "reel-disc", viewBox: "0 0 80 80", "aria-hidden": "true", focusable: "false" },
    s("circle", { class: "reel-rim", cx: 40, cy: 40, r: 38 }), wound, rings, s("circle", { class: "reel-hub", cx: 40, cy: 40, r: hub }), s("circle", { class: "reel-hole", cx: 40, cy: 40, r: 5 }));
  return {
    el,
    update(share) {
      const r = Math.sqrt(hub * hub + Math.min(1, Math.max(0, share)) * (rim * rim - hub * hub));
      setAttr(wound, "r", r.toFixed(1));
      if (rings.childElementCount !== Math.max(0, Math.floor((r - hub) / 4))) {
        rings.replaceChildren(...Array.from({ length: Math.max(0, Math.floor((r - hub) / 4)) }, (_, i) => s("circle", { cx: 40, cy: 40, r: hub + 3 + i * 4 })));
      }
    },
  };
}

const reelName = (r) => (r.number > 0 ? "reel " + r.number : "the reel without a number" + (r.printer ? " on " + r.printer : ""));

function reelCard(first) {
  let r = first;
  const picture = disc();
  const number = h("h3", { class: "reel-number" });
  const what = h("p", { class: "reel-what" });
  const left = h("p", { class: "reel-left" }, h("strong"), h("span", { class: "of" }));
  const where = h("p", { class: "reel-where" });
  const facts = h("p", { class: "quiet" });
  const ends = h("p", { class: "reel-ends" });
  const about = () => h("span", { class: "unseen" }, " " + reelName(r));
  const b = (word, f, looks = "") => h("button", { type: "button", class: "act small plain" + looks, onclick: f }, word, about());
  const numbered = h("div", { class: "acts" },
    h("span", { class: "changes reel-acts" }, b("Weigh…", () => weighDialog(r, spools.ask)), b("Load…", () => loadDialog(r, view.printers, spools.ask)), b("Retire…", () => retireDialog(r, spools.ask))), b("History", () => historyDialog(r), " looks"));
  const el = h("li", { class: "reel" }, picture.el, h("div", { class: "reel-words" }, number, what, left, where, ends, facts), numbered);
  return {
    el,
    update(next) {
      r = next;
      const p = view.printers.find((x) => x.name === r.printer);
      // What hangs on a printer is known to the gram of the run that draws on it.
      const now = p && p.spool.number === r.number && r.number > 0 && p.spool.grams_left > 0 ? p.spool.grams_left : r.grams_left;
      setText(number, r.number > 0 ? String(r.number) : "no number");
      setAttr(number, "data-none", r.number > 0 ? null : "");
      setText(what, [r.material, r.colour].filter(Boolean).join(", "));
      setText(left.firstChild, now === undefined ? "not known" : grams(now));
      setText(left.lastChild, now !== undefined && r.full_g > 0 ? " of " + grams(r.full_g) + " left" : " left");
      picture.update(now === undefined ? 0 : now / (r.full_g || Math.max(1000, now)));
      setText(where, r.printer ? "on " + r.printer : "on the shelf");
      const short = p?.spool.short && p.spool.number === r.number ? p.spool.short : null;
      setText(ends, short ? "△ " + endWords(short) : "");
      show(ends, Boolean(short));
      setText(facts, [r.diameter_mm > 0 ? size(r.diameter_mm) + " mm" : "", r.tare_g !== undefined ? "empty reel " + grams(r.tare_g) : "empty reel not weighed", r.density_g_cm3 > 0 ? size(r.density_g_cm3) + " g/cm³" : "", r.price > 0 ? "cost " + r.price : ""].filter(Boolean).join(" · "));
      show(numbered, r.number > 0);
      setAttr(el, "data-short", short ? "" : null);
    },
  };
}

const endWords = (x) => "ends in layer " + x.layer + " of " + x.layers + ", " + size(x.top_mm) + " mm up, at " + clock(x.at);

function ending(p) {
  const el = h("li");
  return {
    el,
    update(p) {
      setText(el, p.name + ": " + (p.spool.number ? "reel " + p.spool.number : p.spool.material) + " " + endWords(p.spool.short) + ", before " + (p.run?.part ?? "its piece") + " is done. Have " + [p.spool.material, p.spool.colour].filter(Boolean).join(" ") + " ready, or pause it before.");
    },
  };
}

function fittedRow(first) {
  let p = first;
  const name = h("h3", {}, p.name);
  const nozzle = h("dd");
  const plate = h("dd");
  const reel = h("dd");
  const fit = h("button", { type: "button", class: "act small plain changes", onclick: () => fitDialog(p) }, "Change…", h("span", { class: "unseen" }, " what is fitted on " + p.name));
  return {
    el: h("li", { class: "fit" }, name, h("dl", {}, h("div", {}, h("dt", {}, "Nozzle"), nozzle), h("div", {}, h("dt", {}, "Plate"), plate), h("div", {}, h("dt", {}, "Reel"), reel)), fit),
    update(next) {
      p = next;
      setText(nozzle, p.nozzle_mm > 0 ? size(p.nozzle_mm) + " mm" : "not known");
      setText(plate, [p.plate.surface, p.plate.state === "off" ? "not fitted" : p.plate.state].filter(Boolean).join(", "));
      setText(reel, p.spool.material ? (p.spool.number ? p.spool.number + ": " : "") + [p.spool.material, p.spool.colour].filter(Boolean).join(" ") + (p.spool.grams_left > 0 ? ", " + grams(p.spool.grams_left) : "") : "none");
    },
  };
}

function drawSurfaces(lines) {
  const known = ["smooth", "textured", "coated", "glass"];
  const all = [...known, ...new Set(lines.flatMap((l) => l.suits).filter((x) => !known.includes(x)))];
  at("surfaces").replaceChildren(
    h("caption", { class: "unseen" }, "Plate surfaces that suit each material"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Material"), all.map((x) => h("th", { scope: "col" }, x)))),
    h("tbody", {}, lines.map((l) => h("tr", {}, h("th", { scope: "row" }, l.material, l.owner && h("span", { class: "quiet" }, " yours")),
      all.map((x) => (l.suits.length === 0 || l.suits.includes(x) ? h("td", {}, "✓", h("span", { class: "unseen" }, " suits")) : h("td", { class: "no" }, "–", h("span", { class: "unseen" }, " does not suit"))))))),
  );
}

// load draws a circuit as one bar from nothing to what its limit and its other
// load come to: the other load, then each lease, then what is free.
function load() {
  const name = h("h3");
  const sum = h("p", { class: "load-sum" }, h("strong"), h("span", { class: "of" }));
  const bar = h("div", { class: "bar load-bar", "aria-hidden": "true" });
  const list = h("ul", { class: "load-list" });
  return {
    el: h("div", { class: "load" }, h("div", { class: "load-head" }, name, sum), bar, list),
    update(c) {
      const leases = c.leases ?? [];
      const all = c.limit_w + c.standing_w;
      setText(name, c.name);
      setText(sum.firstChild, Math.round(c.leased_w) + " W");
      setText(sum.lastChild, " leased of " + Math.round(c.limit_w) + " W, " + Math.max(0, Math.round(c.limit_w - c.leased_w)) + " W free");
      const parts = [...(c.standing_w > 0 ? [{ key: "standing", cls: "bar-standing", w: c.standing_w }] : []), ...leases.map((l) => ({ key: l.printer, cls: "bar-fill" + (l.hot ? "" : " bar-heating"), w: l.w }))];
      keyed(bar, parts, (x) => x.key, () => {
        const el = h("div");
        return { el, update: (x) => {
          setAttr(el, "class", x.cls);
          el.style.width = (all > 0 ? (100 * x.w) / all : 0) + "%";
        } };
      });
      const here = view.printers.filter((p) => p.circuit === c.name);
      const rows = here.map((p) => ({ p, l: leases.find((l) => l.printer === p.name) }));
      keyed(list, [...rows.map(({ p, l }) => [p.name, l ? Math.round(l.w) + " W, " + (l.hot ? "hot: its steady draw" : "heating up") : p.waits_for === "power" ? "waits for power" : "draws nothing that is counted"]),
        ...(c.standing_w > 0 ? [["Other load", Math.round(c.standing_w) + " W, always"]] : [])], ([n]) => n, ([n]) => {
        const words = h("span");
        return { el: h("li", {}, h("span", { class: "load-name" }, n), words), update: ([, w]) => setText(words, w) };
      });
    },
  };
}

function draw() {
  if (!view) return;
  const short = view.printers.filter((p) => p.spool.short);
  show(at("ending"), short.length > 0);
  keyed(at("endings"), short, (p) => p.name, ending);
  keyed(at("reels"), reels, (r) => r.number + " " + (r.number ? "" : r.printer), reelCard);
  show(at("reels-empty"), reels.length === 0);
  keyed(at("fitted"), view.printers.filter((p) => p.kind !== "by-hand"), (p) => p.name, fittedRow);
  keyed(at("loads"), view.circuits, (c) => c.name, load);
  const k = view.stock;
  setText(at("stock-rules"), Math.round(k.margin * 100) + " % more than a file needs is kept on a reel. " + (k.warn ? "A reel that will not last is told of, and does not keep a job from starting." : "A job does not start on a reel that will not last.") + (k.eyes ? " Somebody is called to first layers." : " Nobody is called to first layers."));
}

shell({
  update(next) {
    view = next;
    spools.when(view.printers.map((p) => [p.name, p.spool.number, p.spool.material, p.run ? "" : Math.round(p.spool.grams_left)].join()).join("|"));
    table.when("once");
    draw();
  },
});
