// Files in: every file is read and shown before it is taken.

import { h, keyed, setText, show } from "./dom.js";
import { ago, many } from "./words.js";
import { shell } from "./shell.js";
import { fresh } from "./fresh.js";
import { looked } from "./looked.js";

const at = (id) => document.getElementById(id);
const files = looked(at("drop"), at("looked-section"), at("looked-acts"), at("looked"));

const bytes = (n) => (n >= 1e6 ? (n / 1e6).toFixed(1) + " MB" : Math.max(1, Math.round(n / 1e3)) + " kB");
const where = h("p", {});
const waits = h("ul", { class: "lying" });
const refusedHead = h("h3", {}, "Refused there");
const refused = h("ul", { class: "lying" });
const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
const more = h("p", { class: "quiet", hidden: true }, "There are more files than are shown here.");
const again = h("button", { type: "button", class: "act small plain looks", onclick: () => inbox.ask() }, "Look again");
at("inbox").append(where, waits, refusedHead, refused, more, h("div", { class: "acts" }, again), wrong);

function lying() {
  const name = h("p", { class: "upload-name" });
  const facts = h("p", { class: "quiet" });
  const why = h("p", { class: "lying-why" });
  return {
    el: h("li", {}, name, facts, why),
    update(f) {
      setText(name, f.name);
      setText(facts, bytes(f.bytes) + ", written " + ago(f.at));
      setText(why, f.why ? "✕ " + f.why : "");
      show(why, Boolean(f.why));
    },
  };
}

const inbox = fresh(() => "/api/inbox", (got) => {
  setText(where, !got.folder ? "This house has no inbox folder. One can be named in the daemon's configuration: what is put there is taken when it has stopped growing, and a sub-folder is a build."
    : got.waiting.length === 0 ? "Nothing waits in " + got.folder + "." : many(got.waiting.length, "file waits", "files wait") + " in " + got.folder + ", to be taken when they have stopped growing:");
  keyed(waits, got.waiting, (f) => f.name, lying);
  keyed(refused, got.refused, (f) => f.name, lying);
  show(refusedHead, got.refused.length > 0);
  show(again, got.folder !== "");
  show(more, got.more);
}, (text) => {
  setText(wrong, text);
  show(wrong, text !== "");
});

shell({
  update(view) {
    inbox.when(view.jobs.map((j) => j.id).join());
    files.update(view);
  },
});
