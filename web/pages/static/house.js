// What concerns the whole house: its circuits, its hours.

import { h, keyed, setAttr, setText, show } from "./dom.js";
import { hoursFields } from "./hands.js";
import { open } from "./dialogs.js";

function circuit() {
  const name = h("span");
  const watts = h("span", { class: "watts" });
  const leased = h("div", { class: "bar-fill" });
  const standing = h("div", { class: "bar-standing" });
  const el = h("div", { class: "circuit" }, h("p", {}, name, watts), h("div", { class: "bar", "aria-hidden": "true" }, standing, leased));
  return {
    el,
    update(c) {
      setText(name, c.name);
      setText(watts, Math.round(c.leased_w) + " of " + Math.round(c.limit_w) + " W" + (c.standing_w > 0 ? ", beside " + Math.round(c.standing_w) + " W of other load" : ""));
      const all = c.limit_w + c.standing_w;
      standing.style.width = (all > 0 ? (100 * c.standing_w) / all : 0) + "%";
      leased.style.width = (all > 0 ? Math.min(100, (100 * c.leased_w) / all) : 0) + "%";
    },
  };
}

export function circuits() {
  const section = document.getElementById("circuits-section");
  const list = document.getElementById("circuits");
  return {
    update(v) {
      keyed(list, v.circuits, (c) => c.name, circuit);
      show(section, v.circuits.length > 0);
    },
  };
}

export function hours() {
  const place = document.getElementById("hours");
  const home = h("dd");
  const cold = h("dd");
  const now = h("p", { class: "quiet" });
  let last = null;
  const change = h("button", { type: "button", class: "act small plain", onclick: () => {
    const { body, request } = hoursFields(last);
    open({ title: "Hours of this house", body, yes: "These are the hours", request });
  } }, "Change…");
  place.append(h("dl", { class: "hours" }, h("dt", {}, "Somebody home"), home, h("dt", {}, "Nothing hot"), cold), now, h("div", { class: "acts" }, change));
  return {
    update(v) {
      last = v.hours;
      setText(home, last.home || "not answered");
      setText(cold, last.cold || "not answered");
      setText(now, !last.answered ? "Nothing starts before both are answered." : (last.home_now ? "Somebody should be home now." : "Nobody should be home now.") + (last.cold_now ? " Nothing may be hot now." : ""));
      setAttr(place, "data-cold", last.cold_now ? "" : null);
    },
  };
}
