// The page: one view of the house, drawn anew where it changed.

import { h, keyed, say, setAttr, setText, show } from "./dom.js";
import { clock, now, setClock, stopClock, wallClock } from "./words.js";
import { follow } from "./live.js";
import { bay } from "./bay.js";
import { hands } from "./hands.js";
import { queue } from "./queue.js";
import { circuits, hours, tally } from "./house.js";
import { files } from "./files.js";
import { coolDialog } from "./dialogs.js";
import { cautions } from "./cautions.js";

const at = (id) => document.getElementById(id);

for (const c of cautions) document.querySelector("#cautions .cautions").append(h("li", {}, c));
at("cool").addEventListener("click", coolDialog);

const asks = hands();
const parts = [asks, queue(), circuits(), hours(), tally(), files()];
const arcade = at("arcade");
let bays = new Map();
let view = null;
let asked = false; // a frame is due

function draw() {
  asked = false;
  setText(at("title"), view.title || "The house");
  bays = keyed(arcade, view.printers, (p) => p.name, bay);
  show(at("arcade-empty"), view.printers.length === 0);
  for (const p of parts) p.update(view);
  setText(at("clock"), wallClock());
  setAttr(document.body, "data-ready", "");
}

function changed(next) {
  view = next;
  setClock(view);
  if (!asked) {
    asked = true;
    requestAnimationFrame(draw);
  }
}

let was = "connecting";

function state(word, detail) {
  if (word === "live") {
    setText(at("link-text"), view?.demo ? "live, a demo at " + Math.round(view.pace) + " × pace" : "live");
  } else if (word === "connecting") {
    setText(at("link-text"), "connecting");
  } else {
    stopClock();
    asks.stale();
    setText(at("link-text"), "stale");
    setText(at("stale"), view ? "Stale since " + clock(now()) + ": " + detail + ". What you see is the past; this page tries to come back by itself." : "Not connected: " + detail + ". This page tries again by itself.");
  }
  show(at("stale"), word === "lost");
  setAttr(document.body, "data-live", word);
  if (word === "live" && was === "lost") say("The page is live again.");
  was = word;
}

follow(changed, state);

// Clocks and countdowns go on between messages. This asks nobody anything.
setInterval(() => {
  if (!view || was !== "live") return;
  setText(at("clock"), wallClock());
  for (const b of bays.values()) b.tick();
  asks.tick();
}, 500);
