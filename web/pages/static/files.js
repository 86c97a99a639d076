// Files in: by dragging them anywhere onto the page, or by the button. They go
// one after the other; what is refused says why, line by line.

import { h, keyed, say, setText, show } from "./dom.js";
import { grams, many, size, span } from "./words.js";
import { upload } from "./ask.js";
import { field } from "./dialogs.js";

export function files() {
  const place = document.getElementById("files");
  const pick = h("input", { type: "file", multiple: true, class: "unseen", id: "file-pick", onchange: () => {
    take(pick.files);
    pick.value = "";
  } });
  const button = h("label", { class: "act file-button", for: "file-pick" }, "Add G-code files");
  const kind = h("select", {});
  const kindField = field("Sliced for which kind?", kind);
  const count = h("input", { type: "number", min: "1", max: "1000", value: "1", inputmode: "numeric" });
  const pieces = h("input", { type: "number", min: "1", max: "1000", value: "1", inputmode: "numeric" });
  const hold = h("input", { type: "checkbox" });
  const list = h("ul", { class: "uploads" });
  place.append(
    h("div", { class: "drop" }, pick, button, h("p", { class: "hint" }, "or drag them onto the page")),
    h("details", { class: "more" }, h("summary", {}, "How many, for what"),
      h("div", { class: "fields" }, field("Print each how often?", count), field("Pieces in one print", pieces)),
      kindField,
      h("label", { class: "check" }, hold, "Queue them on hold")),
    list,
  );

  let rows = [];
  let busy = false;

  function take(chosen) {
    for (const file of chosen) {
      const q = new URLSearchParams({ file_name: file.name, count: count.value || "1", pieces: pieces.value || "1" });
      if (kind.value) q.set("kind", kind.value);
      if (hold.checked) q.set("on_hold", "true");
      rows.push({ key: Symbol(), file, query: q, state: "waits" });
    }
    rows = rows.slice(-50);
    draw();
    work();
  }

  async function work() {
    if (busy) return;
    busy = true;
    for (let row; (row = rows.find((r) => r.state === "waits")); ) {
      row.state = "sent";
      try {
        row.added = await upload(row.file, row.query, (share) => {
          row.share = share;
          draw();
        });
        row.state = "added";
        say(row.file.name + " is added.");
      } catch (e) {
        row.state = "refused";
        row.error = e;
        say(row.file.name + " was not added.");
      }
      row.file = { name: row.file.name }; // lets go of its content
      draw();
    }
    busy = false;
  }

  function draw() {
    keyed(list, rows, (r) => r.key, upRow);
  }

  // A file may be dropped anywhere; without this the browser would open it.
  let over = 0;
  const carries = (e) => [...(e.dataTransfer?.types ?? [])].includes("Files");
  addEventListener("dragenter", (e) => {
    if (!carries(e)) return;
    over++;
    document.body.classList.add("dragging");
  });
  addEventListener("dragleave", (e) => {
    if (carries(e) && --over <= 0) document.body.classList.remove("dragging");
  });
  addEventListener("dragover", (e) => {
    if (carries(e)) e.preventDefault();
  });
  addEventListener("drop", (e) => {
    if (!carries(e)) return;
    e.preventDefault();
    over = 0;
    document.body.classList.remove("dragging");
    take(e.dataTransfer.files);
  });

  return {
    update(v) {
      const kinds = [...new Set(v.printers.map((p) => p.kind))].sort();
      show(kindField, kinds.length > 1);
      keyed(kind, kinds.length > 1 ? ["", ...kinds] : kinds, (k) => k, (k) => ({ el: h("option", { value: k }, k === "" ? "as the house decides" : k), update() {} }));
    },
  };
}

function upRow(first) {
  const name = h("p", { class: "upload-name" }, first.file.name);
  const state = h("p", { class: "quiet" });
  const bar = h("progress", { max: "1", value: "0", "aria-label": "Sent of " + first.file.name });
  const findings = h("ul", { class: "findings" });
  const el = h("li", {}, name, bar, state, findings);
  return {
    el,
    update(r) {
      el.setAttribute("data-state", r.state);
      show(bar, r.state === "sent");
      if (r.state === "waits") setText(state, "waits its turn");
      if (r.state === "sent") {
        bar.value = r.share ?? 0;
        setText(state, (r.share ?? 0) < 1 ? "on its way" : "being read");
      }
      if (r.state === "added") {
        const a = r.added;
        setText(state, "✓ " + (a.job_ids.length === 1 ? "job " : "jobs ") + a.job_ids.join(", ") + ": " + size(a.height_mm) + " mm high, " + span(a.estimate_s) + ", " + grams(a.mass_g) + ", " + many(a.layers, "layer", "layers") + (a.known ? " (known already)" : ""));
        fill(a.warnings ?? []);
      }
      if (r.state === "refused") {
        setText(state, "✕ " + r.error.message);
        fill(r.error.findings);
      }
    },
  };
  function fill(list) {
    keyed(findings, list, (f) => f.code + f.line + f.text, (f) => ({ el: h("li", {}, (f.line > 0 ? "line " + f.line + ": " : "") + f.text), update() {} }));
  }
}
