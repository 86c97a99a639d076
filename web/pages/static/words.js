// Figures and times in words. House time: what the daemon says, in its zone.

let zone;
let at = 0; // house time of the last message, ms
let heard = 0; // when it came, ms of this page
let pace = 1;
let stopped = true;

const shapes = new Map();

function shape(name, options) {
  const key = name + zone;
  if (!shapes.has(key)) {
    let f;
    try {
      f = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone });
    } catch {
      f = new Intl.DateTimeFormat("en-GB", options); // a zone this browser does not know
    }
    shapes.set(key, f);
  }
  return shapes.get(key);
}

// setClock follows the house's clock from one message to the next.
export function setClock(view) {
  zone = view.zone && view.zone !== "Local" ? view.zone : (/[+-]\d\d:\d\d$/.exec(view.at)?.[0] ?? "UTC");
  pace = view.pace || 1;
  at = Date.parse(view.at);
  heard = performance.now();
  stopped = false;
}

// stopClock holds the clock at the last thing heard: nothing after is known.
export function stopClock() {
  if (!stopped) at = now();
  stopped = true;
}

// now is house time in ms.
export function now() {
  return stopped ? at : at + (performance.now() - heard) * pace;
}

const day = (ms) => shape("day", { year: "numeric", month: "2-digit", day: "2-digit" }).format(ms);

// clock is a time as a clock on the wall shows it, with the day unless it is today.
export function clock(time) {
  const ms = typeof time === "number" ? time : Date.parse(time);
  if (!Number.isFinite(ms) || ms < 0) return "";
  const hm = shape("hm", { hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).format(ms);
  if (day(ms) === day(now())) return hm;
  if (Math.abs(ms - now()) < 6 * 86400e3) return shape("wd", { weekday: "short" }).format(ms) + " " + hm;
  return shape("dm", { day: "numeric", month: "short" }).format(ms) + " " + hm;
}

export function wallClock() {
  return shape("wall", { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).format(now());
}

// span is a length of time: "6 h 24 min", "42 s".
export function span(seconds) {
  if (!(seconds > 0)) return "0 s";
  if (seconds < 90) return Math.ceil(seconds) + " s";
  const min = Math.round(seconds / 60);
  if (min < 60) return min + " min";
  return Math.floor(min / 60) + " h" + (min % 60 ? " " + (min % 60) + " min" : "");
}

export function ago(time) {
  const seconds = (now() - Date.parse(time)) / 1000;
  return seconds < 60 ? "just now" : span(seconds) + " ago";
}

// until is the time left to a moment, in seconds.
export const until = (time) => (Date.parse(time) - now()) / 1000;

// mm is a height: one decimal, always, so that figures do not jump.
export const mm = (x) => (x ?? 0).toFixed(1);

// size is a length without needless zeros.
export const size = (x) => String(Math.round((x ?? 0) * 100) / 100);

export const grams = (x) => (x >= 1000 ? (x / 1000).toFixed(2) + " kg" : Math.round(x) + " g");

export const many = (n, one, more) => n + " " + (n === 1 ? one : more);

const names = { T0: "Nozzle", T: "Nozzle", B: "Bed", C: "Chamber" };

export function heaterName(name) {
  return names[name] ?? (/^T\d+$/.test(name) ? "Nozzle " + (Number(name.slice(1)) + 1) : name);
}

const states = {
  queued: "waits", "on-hold": "on hold", running: "running", "awaits-yield": "on the plate",
  done: "done", "needs-decision": "needs a decision", cancelled: "cancelled",
};

export const stateWord = (state) => states[state] ?? state;

const causes = {
  "port-lost": "the port vanished",
  silent: "the printer fell silent",
  "no-answer": "the printer fell silent",
  rebooted: "the printer restarted in mid-print",
  halted: "the firmware halted",
  thermal: "the firmware reported a heat fault",
  "cold-extrusion": "the nozzle was too cold to extrude",
  unsendable: "a line of the file could not be sent",
  source: "the file could not be read",
  resends: "the line was too noisy",
  desync: "the link lost count",
  position: "the position was not where it should be",
  refused: "the firmware refused a command",
  runout: "the filament ran out",
  slow: "it took far longer than estimated",
  stalled: "it stalled",
  "not-heating": "a heater did not heat",
  "below-target": "a heater fell away from its target",
  "above-target": "a heater rose above its target",
  "heats-unasked": "something heated that should not",
  "over-limit": "it was hotter than it may be",
  "sensor-open": "a temperature sensor is broken",
  "sensor-shorted": "a temperature sensor is shorted",
  "sensor-loose": "a temperature sensor is loose",
  "machine-cancel": "it was cancelled at the machine",
  cooled: "all heaters were turned off",
  shutdown: "the daemon was shut down",
  "daemon-died": "the daemon died",
  internal: "the daemon failed inside",
  "bad-yield": "a person found it bad",
};

// causeWord is a recorded cause in words; what a person wrote stays as it is.
export const causeWord = (cause) => causes[cause] ?? cause;

// hourOf is the hour that the house's clock shows at a moment, 0 to 23.
export const hourOf = (ms) => Number(shape("hour", { hour: "2-digit", hourCycle: "h23" }).format(ms));

// dayName is the day of a moment: "Thu 26 Nov".
export const dayName = (ms) => shape("dn", { weekday: "short", day: "numeric", month: "short" }).format(ms);

// instant reads what a person typed into a field of day and hour, on the house's
// clock, as an instant: the offset that the house has there is found by trying.
export function instant(text) {
  const wall = Date.parse(text + "Z");
  if (!Number.isFinite(wall)) return undefined;
  const shown = (ms) => Date.parse(shape("sv", { year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).format(ms).replace(/(\d+)\/(\d+)\/(\d+), /, "$3-$2-$1T") + "Z");
  let ms = wall;
  for (let i = 0; i < 2; i++) ms += wall - shown(ms);
  return new Date(ms).toISOString();
}
