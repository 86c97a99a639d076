// What every page shares: the head, the navigation's counts, the live line and
// its sign, the cautions, the heaters' off switch. A page's module calls shell()
// with {update(view), tick(), stale()}; only update must be there. It is drawn
// anew after each message, at most once a frame.

import { h, say, setAttr, setText, show } from "./dom.js";
import { clock, now, setClock, stopClock, wallClock } from "./words.js";
import { follow } from "./live.js";
import { asksOf } from "./asks.js";
import { tally } from "./tally.js";
import { coolDialog } from "./dialogs.js";
import { cautions } from "./cautions.js";
import { get } from "./ask.js";

const at = (id) => document.getElementById(id);

// mayChange tells whether this page offers what changes something. The daemon
// wrote it into the page, and refuses it anyway.
export const mayChange = document.body.dataset.may !== "watch";

function count(name, n, words) {
  const el = at("ways-" + name);
  if (!el) return;
  show(el, n > 0);
  el.replaceChildren(String(n), h("span", { class: "unseen" }, " " + words));
}

export function shell(page) {
  for (const c of cautions) document.querySelector("#cautions .cautions").append(h("li", {}, c));
  at("cool").addEventListener("click", coolDialog);
  const head = tally();
  const pageTitle = document.body.dataset.title;
  let view = null;
  let due = false; // a frame
  let was = "connecting";
  let counted = "";

  function draw() {
    due = false;
    setText(at("title"), view.title || "The house");
    const asks = asksOf(view).length;
    const mishaps = view.mishaps.filter((m) => !m.decided).length;
    if (counted !== asks + "," + mishaps) {
      counted = asks + "," + mishaps;
      count("now", asks, asks === 1 ? "thing wants hands" : "things want hands");
      count("mishaps", mishaps, "to decide");
    }
    document.title = (asks > 0 ? "(" + asks + ") " : "") + pageTitle + (view.title ? ": " + view.title : "") + ", Undercroft";
    head.update(view);
    page.update(view);
    setText(at("clock"), wallClock());
    setAttr(document.body, "data-ready", "");
  }

  function changed(next) {
    view = next;
    setClock(view);
    if (!due) {
      due = true;
      requestAnimationFrame(draw);
    }
  }

  function state(word, detail) {
    if (word === "live") {
      setText(at("link-text"), view?.demo ? "live, a demo at " + Math.round(view.pace) + " × pace" : "live");
    } else if (word === "connecting") {
      setText(at("link-text"), "connecting");
    } else {
      stopClock();
      page.stale?.();
      setText(at("link-text"), "stale");
      setText(at("stale"), view ? "Stale since " + clock(now()) + ": " + detail + ". What you see is the past; this page tries to come back by itself." : "Not connected: " + detail + ". This page tries again by itself.");
      if (was !== "lost") whoAmI();
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
    page.tick?.();
  }, 500);
}

// whoAmI asks once after the line was lost: a person who was logged out is taken
// to the door, and one whose role was changed sees what they may do now.
async function whoAmI() {
  try {
    const me = await get("/api/me");
    if ((me.role === "operate") !== mayChange) location.reload();
  } catch {
    // Nobody answers: the sign says so.
  }
}
