// Small helpers over the DOM. Every text goes in as a text node: nothing that
// comes from a file or a person is ever read as markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(el, props, kids) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) el.addEventListener(name.slice(2), value);
    else el.setAttribute(name, value === true ? "" : String(value));
  }
  el.append(...kids.flat().filter((k) => k !== undefined && k !== null && k !== false));
  return el;
}

// h makes an element: h("p", {class: "quiet"}, "text", child).
export function h(tag, props, ...kids) {
  return fill(document.createElement(tag), props, kids);
}

// s makes an SVG element.
export function s(tag, props, ...kids) {
  return fill(document.createElementNS(SVG, tag), props, kids);
}

// idOf makes an element's id of a name: in a list of ids, a blank would part it.
export const idOf = (what, name) => what + "-" + name.replace(/\s+/g, "-");

// setText touches the page only when the text differs, so that a reader of the
// screen hears changes and not repeats.
export function setText(el, text) {
  if (el.textContent !== text) el.textContent = text;
}

export function setAttr(el, name, value) {
  if (value === null || value === undefined || value === false) {
    if (el.hasAttribute(name)) el.removeAttribute(name);
  } else if (el.getAttribute(name) !== String(value)) {
    el.setAttribute(name, value);
  }
}

export function show(el, yes) {
  if (el.hidden === yes) el.hidden = !yes;
}

// keyed keeps one component a key in container, in the order of items. make(key)
// returns {el, update(item)}; components live as long as their key, so that a
// half-filled form survives whatever else changes.
export function keyed(container, items, keyOf, make) {
  const old = container.components ?? new Map();
  const keys = new Set(items.map(keyOf));
  // What is gone goes first: nothing that stays is moved then, and keeps its focus.
  for (const [key, c] of old) {
    if (!keys.has(key)) c.el.remove();
  }
  const now = new Map();
  let place = container.firstElementChild;
  for (const item of items) {
    const key = keyOf(item);
    const c = old.get(key) ?? make(item);
    now.set(key, c);
    c.update(item);
    if (c.el === place) {
      place = place.nextElementSibling;
    } else {
      container.insertBefore(c.el, place);
    }
  }
  container.components = now;
  return now;
}

const said = document.getElementById("said");
let saying = [];

// say tells a reader of the screen what changed, several changes at once as one.
export function say(text) {
  if (saying.length === 0) {
    setTimeout(() => {
      said.textContent = saying.join(" ");
      saying = [];
    }, 400);
  }
  if (saying.length < 5) saying.push(text);
}
