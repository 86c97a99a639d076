// Files that a person brings: dropped anywhere on the page or chosen. Each is read
// by the daemon, which keeps nothing yet; a card shows what it found, and asks what
// the file does not say. Then it is taken, or left.

import { h, idOf, keyed, say, setAttr, setText, show } from "./dom.js";
import { grams, many, size, span } from "./words.js";
import { get, upload } from "./ask.js";
import { field } from "./dialogs.js";
import { silhouette } from "./silhouette.js";

const most = 50; // cards

export function looked(drop, section, acts, list) {
  let rows = [];
  let view = null;
  let busy = false;
  let builds = [];

  const pick = h("input", { type: "file", multiple: true, class: "unseen", id: "file-pick", onchange: () => {
    bring(pick.files);
    pick.value = "";
  } });
  const kind = h("select", {});
  const kindField = field("They were sliced for", kind, "A file holds the start, the origin and the retraction of one kind of printer.");
  const build = h("select", { onchange: () => parts(build.value) });
  const buildField = field("They belong to", build);
  drop.append(
    h("div", { class: "drop-pick" }, pick, h("label", { class: "act file-button", for: "file-pick" }, "Choose G-code files"), h("p", { class: "hint" }, "or drag them anywhere onto the page. Each is read and shown first; nothing is taken by that.")),
    h("div", { class: "drop-for" }, kindField, buildField));
  const known = h("datalist", { id: "known-parts" });
  const assemblies = h("datalist", { id: "known-assemblies" });
  const waysList = h("datalist", { id: "known-ways" });
  drop.append(known, assemblies, waysList);
  const takeAll = h("button", { type: "button", class: "act", onclick: () => takeable().forEach((r) => r.card.take()) });
  const clear = h("button", { type: "button", class: "act plain", onclick: () => {
    rows = rows.filter((r) => r.state !== "taken" && r.state !== "refused");
    draw();
  } }, "Clear what is done");
  acts.append(takeAll, clear);

  const takeable = () => rows.filter((r) => r.state === "shown" && r.card?.ready());

  // parts fills the lists that a person chooses from by a build.
  async function parts(name) {
    try {
      const b = await get("/api/build?build=" + encodeURIComponent(name));
      const all = b.assemblies.flatMap((a) => a.parts);
      fill(known, all.map((p) => p.name));
      fill(assemblies, b.assemblies.map((a) => a.name));
      fill(waysList, all.flatMap((p) => p.ways.map((w) => w.name)));
    } catch {
      // A build that is not there yet has no names to choose from.
    }
  }
  const fill = (datalist, names) => datalist.replaceChildren(...[...new Set(names.filter(Boolean))].map((n) => h("option", { value: n })));

  get("/api/builds").then((got) => {
    builds = got.map((b) => b.name).filter(Boolean);
    const own = builds.find((n) => n === view?.title) ?? builds[0] ?? "";
    build.replaceChildren(...builds.map((n) => h("option", { value: n, selected: n === own }, n)), h("option", { value: "" }, "no build"));
    build.value = own;
    show(buildField, builds.length > 0);
    parts(own);
  }, () => show(buildField, false));

  function bring(chosen) {
    for (const file of chosen) {
      if (rows.length >= most) {
        say("Only " + most + " files at once.");
        break;
      }
      rows.push({ key: Symbol(), file, name: file.name, state: "waits", kind: kind.value, build: build.value });
    }
    draw();
    work();
  }

  // work reads what waits and sends what is to be taken, one after the other: the
  // line is one.
  async function work() {
    if (busy) return;
    busy = true;
    for (let r; (r = rows.find((x) => x.state === "taking" && !x.sent) ?? rows.find((x) => x.state === "waits")); ) {
      const progress = (share) => {
        r.share = share;
        draw();
      };
      r.share = 0;
      if (r.state === "taking") {
        r.sent = true;
        try {
          r.added = await upload(r.file, r.query, progress);
          r.state = "taken";
          r.file = null; // lets go of its content
          say(r.name + " is taken.");
        } catch (e) {
          r.state = "shown";
          r.error = e;
          say(r.name + " was not taken.");
        }
        r.sent = false;
      } else {
        r.state = "reading";
        try {
          const q = new URLSearchParams({ file_name: r.name });
          if (r.kind) q.set("kind", r.kind);
          r.look = await upload(r.file, q, progress, "/api/files/look");
          r.state = r.look.refused.length > 0 ? "refused" : "shown";
          say(r.name + (r.state === "refused" ? " would be refused." : " is read."));
        } catch (e) {
          r.state = "refused";
          r.error = e;
          say(r.name + " could not be read.");
        }
      }
      draw();
    }
    busy = false;
  }

  function draw() {
    show(section, rows.length > 0);
    // The same content twice among these is worth a word too.
    const seen = new Map();
    for (const r of rows) {
      r.twin = r.look?.sha256 ? seen.get(r.look.sha256) : undefined;
      if (r.look?.sha256 && !r.twin) seen.set(r.look.sha256, r.name);
    }
    keyed(list, rows, (r) => r.key, card);
    const n = takeable().length;
    setText(takeAll, "Take " + many(n, "file", "files"));
    show(takeAll, n > 1);
    show(clear, rows.some((r) => r.state === "taken" || r.state === "refused"));
  }

  function card(first) {
    const r = first;
    const id = idOf("file", String(Math.random()).slice(2));
    const picture = silhouette();
    const pictureBox = h("div", { class: "looked-picture" }, picture.el);
    const name = h("h3", { id }, r.name);
    const state = h("p", { class: "looked-state" });
    const bar = h("progress", { max: "1", value: "0", "aria-label": "Sent of " + r.name });
    const facts = h("dl", { class: "looked-facts" });
    const refused = h("ul", { class: "findings refusals" });
    const warnings = h("ul", { class: "findings" });
    const same = h("p", { class: "looked-same" });
    const wrong = h("p", { class: "wrong", role: "alert", hidden: true });

    const text = (props) => h("input", { type: "text", maxlength: "200", autocomplete: "off", ...props });
    const num = (props) => h("input", { type: "number", inputmode: "numeric", step: "1", ...props });
    const c = {
      part: text({ list: "known-parts", required: true }), assembly: text({ list: "known-assemblies" }), count: num({ min: "1", max: "500", value: "1", required: true }), pieces: num({ min: "1", max: "1000", value: "1" }),
      way: text({ list: "known-ways" }), section: text(), material: text({ maxlength: "100" }), nozzle_mm: num({ min: "0.1", max: "3", step: "0.05", inputmode: "decimal" }), colour: text({ maxlength: "100" }), surface: text({ maxlength: "100" }),
    };
    const hold = h("input", { type: "checkbox" });
    const mine = h("select", {});
    const kinds = h("select", {});
    const take = h("button", { type: "submit", class: "act" }, "Take it");
    const again = h("button", { type: "button", class: "act plain", onclick: () => {
      r.kind = kinds.value;
      r.state = "waits";
      r.error = r.look = undefined;
      draw();
      work();
    } }, "Read it again");
    const leave = h("button", { type: "button", class: "act plain", onclick: () => {
      rows = rows.filter((x) => x !== r);
      draw();
    } }, "Leave it");
    const kindBox = h("div", { class: "looked-kind" }, field("Sliced for", kinds), again);
    const form = h("form", { class: "looked-form", onsubmit: (e) => {
      e.preventDefault();
      send();
    } },
      h("div", { class: "fields" }, field("It makes the part", c.part), field("Assembly", c.assembly), field("Print it how often?", c.count), field("Pieces in one print", c.pieces)),
      h("details", { class: "more" }, h("summary", {}, "Way, section, material, sheet"),
        h("div", { class: "fields" }, field("Build", mine), field("Way of making it", c.way), field("Only this section", c.section), field("Material", c.material), field("Nozzle, mm", c.nozzle_mm), field("Colour, if it matters", c.colour), field("Sheet, if it matters", c.surface)),
        h("label", { class: "check" }, hold, "Queue it on hold")),
      wrong);
    const el = h("li", { class: "looked-card", "aria-labelledby": id }, pictureBox, h("div", { class: "looked-words" }, name, state, bar, facts, same, refused, warnings, kindBox, form), h("div", { class: "acts" }, take, leave));
    take.setAttribute("form", (form.id = id + "-form"));
    let filled = false;

    function send() {
      const q = new URLSearchParams({ file_name: r.name });
      for (const [key, control] of Object.entries(c)) {
        const value = control.value.trim();
        if (value !== "" && value !== control.assumed) q.set(key, value);
      }
      if (r.look.kind) q.set("kind", r.look.kind);
      if (mine.value) q.set("build", mine.value);
      if (hold.checked) q.set("on_hold", "true");
      r.query = q;
      r.state = "taking";
      r.error = undefined;
      draw();
      work();
    }
    r.card = { ready: () => form.checkValidity(), take: () => form.checkValidity() && send() };

    return {
      el,
      update() {
        const l = r.look;
        setAttr(el, "data-state", r.state);
        const moving = r.state === "reading" || r.state === "taking";
        show(bar, moving);
        bar.value = r.share ?? 0;
        const words = {
          waits: "waits its turn",
          reading: (r.share ?? 0) < 1 ? "on its way: " + Math.round(100 * (r.share ?? 0)) + " %" : "being read",
          taking: !r.sent ? "is taken next" : (r.share ?? 0) < 1 ? "on its way: " + Math.round(100 * (r.share ?? 0)) + " %" : "being taken",
          shown: "read: it can be taken", refused: "✕ it cannot be taken like this", taken: "✓ taken",
        };
        setText(state, r.state === "taken" && r.added.job_ids.length ? "✓ taken as " + (r.added.job_ids.length === 1 ? "job " : "jobs ") + r.added.job_ids.join(", ") : words[r.state]);
        const has = l && l.layers > 0;
        show(pictureBox, Boolean(has));
        if (has) picture.update({ heightMM: l.size_mm[2], widthMM: l.size_mm[0], doneMM: r.state === "taken" ? l.size_mm[2] : 0, outline: l.outline, state: "still" });
        const list = has ? [["Time", span(l.estimate_s)], ["Size", l.size_mm.map(size).join(" × ") + " mm"], ["Layers", l.layers + (l.layer_mm > 0 ? " of " + size(l.layer_mm) + " mm" : "")], ["Filament", grams(l.mass_g) + (l.material ? " " + l.material : "")], ["Nozzle", l.nozzle_mm > 0 ? size(l.nozzle_mm) + " mm" : "it does not say"], ["Sliced for", l.kind]] : [];
        keyed(facts, list, ([n]) => n, ([n]) => {
          const dd = h("dd");
          return { el: h("div", {}, h("dt", {}, n), dd), update: ([, v]) => setText(dd, v) };
        });
        const jobs = l ? view?.jobs.filter((j) => j.sha256 === l.sha256 && !(r.added?.job_ids ?? []).includes(j.id)) ?? [] : [];
        setText(same, r.twin ? "△ The same content as " + r.twin + " above." : l?.known && r.state !== "taken" ? "△ The same content is here already" + (jobs.length ? ", as job " + jobs.slice(0, 5).map((j) => j.id).join(", ") : "") + ". Taking it prints it once more." : "");
        show(same, same.textContent !== "");
        findings(refused, [...(l?.refused ?? []), ...(r.state === "refused" && r.error ? [{ line: 0, text: r.error.message, code: "" }, ...r.error.findings] : [])], "✕ ");
        findings(warnings, [...(l?.warnings ?? [])], "△ ");
        const names = [...new Set((view?.printers ?? []).map((p) => p.kind).filter((k) => k !== "by-hand"))].sort();
        show(kindBox, r.state === "refused" && names.length > 1 && r.file !== null);
        keyed(kinds, names, (k) => k, (k) => ({ el: h("option", { value: k, selected: k === (l?.kind || r.kind) }, k), update() {} }));
        if (r.state === "shown" && !filled) {
          filled = true;
          c.part.value = l.part;
          c.material.value = l.material;
          c.nozzle_mm.value = l.nozzle_mm || "";
          // What the file says itself is not said again.
          c.material.assumed = l.material;
          c.nozzle_mm.assumed = String(l.nozzle_mm || "");
          mine.replaceChildren(...["", ...builds].map((n) => h("option", { value: n, selected: n === r.build }, n || "no build")));
        }
        show(form, r.state === "shown");
        show(take, r.state === "shown");
        show(leave, r.state !== "taking" && r.state !== "reading");
        setText(leave, r.state === "taken" ? "Clear" : "Leave it");
        setText(wrong, r.state === "shown" && r.error ? [r.error.message, ...r.error.findings.map((f) => f.text)].join(" ") : "");
        show(wrong, wrong.textContent !== "");
      },
    };
  }

  function findings(ul, items, mark) {
    keyed(ul, items, (f) => f.code + f.line + f.text, (f) => ({ el: h("li", {}, mark + (f.line > 0 ? "line " + f.line + ": " : "") + f.text), update() {} }));
    show(ul, items.length > 0);
  }

  // A file may be dropped anywhere; without this the browser would open it.
  let over = 0;
  const carries = (e) => [...(e.dataTransfer?.types ?? [])].includes("Files");
  const on = (what, f) => addEventListener(what, (e) => {
    if (carries(e)) f(e);
  });
  on("dragenter", () => {
    over++;
    document.body.classList.add("dragging");
  });
  on("dragleave", () => {
    if (--over <= 0) document.body.classList.remove("dragging");
  });
  on("dragover", (e) => e.preventDefault());
  on("drop", (e) => {
    e.preventDefault();
    over = 0;
    document.body.classList.remove("dragging");
    bring(e.dataTransfer.files);
  });

  return {
    update(v) {
      view = v;
      const kinds = [...new Set(v.printers.map((p) => p.kind).filter((k) => k !== "by-hand"))].sort();
      show(kindField, kinds.length > 1);
      keyed(kind, kinds, (k) => k, (k) => ({ el: h("option", { value: k }, k), update() {} }));
      draw();
    },
  };
}
