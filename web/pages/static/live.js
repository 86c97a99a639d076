// One websocket keeps the page live: a snapshot, then changes. Nothing polls.

const patience = 25e3; // ms without any message: the daemon sends one every 10 s at least

// follow calls changed(view) after each message and state(word, detail) when the
// line comes or goes: "live", "connecting", "lost", "full".
export function follow(changed, state) {
  let socket;
  let view = null;
  let seq = 0;
  let tries = 0;
  let watch;
  let retry;
  let heard = 0;

  function arm() {
    heard = Date.now();
    clearTimeout(watch);
    watch = setTimeout(() => drop("nothing was heard for " + patience / 1000 + " s"), patience);
  }

  function drop(why) {
    clearTimeout(watch);
    clearTimeout(retry);
    if (socket) {
      socket.onclose = socket.onmessage = null;
      socket.close();
      socket = null;
    }
    state("lost", why);
    tries++;
    // Wait longer each time, and not in step with every other page in the house.
    const wait = Math.min(15e3, 500 * 2 ** Math.min(tries, 5)) * (0.75 + Math.random() / 2);
    retry = setTimeout(open, tries === 1 ? 300 : wait);
  }

  function open() {
    clearTimeout(retry);
    const address = new URL("/api/live", location.href);
    address.protocol = location.protocol === "https:" ? "wss:" : "ws:";
    socket = new WebSocket(address);
    arm();
    socket.onclose = (e) => drop(e.reason || "the line to the daemon is down");
    socket.onmessage = (e) => {
      arm();
      const m = JSON.parse(e.data);
      if (m.type === "snapshot") {
        view = m.view;
      } else if (m.type === "change" && view && m.seq === seq + 1) {
        merge(view, m);
      } else if (m.type === "still" && view && m.seq === seq) {
        return; // nothing is new but that the line is alive
      } else {
        drop("a message was missed");
        return;
      }
      seq = m.seq;
      tries = 0;
      changed(view);
      state("live");
    };
  }

  // A phone that wakes up does not wait for timers that slept with it: what it
  // shows may be hours old, and the line long dead.
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    if (!socket) open();
    else if (Date.now() - heard > patience / 2) drop("this page was asleep");
  });
  addEventListener("online", () => {
    if (!socket) open();
  });
  state("connecting");
  open();
}

// merge puts a change into the view. Entities come whole; an outline that is
// left out is the one known already.
export function merge(view, m) {
  view.at = m.at;
  if (m.rest) Object.assign(view, m.rest);
  const printers = new Map(view.printers.map((p) => [p.name, p]));
  for (const p of m.printers ?? []) {
    const old = printers.get(p.name);
    if (p.run && !p.run.outline && old?.run?.id === p.run.id) p.run.outline = old.run.outline;
    if (!p.plate.outline && p.plate.run_id && old?.plate.run_id === p.plate.run_id) p.plate.outline = old.plate.outline;
    printers.set(p.name, p);
  }
  view.printers = (m.printer_order ?? view.printers.map((p) => p.name)).map((name) => printers.get(name)).filter(Boolean);
  const jobs = new Map(view.jobs.map((j) => [j.id, j]));
  for (const j of m.jobs ?? []) jobs.set(j.id, j);
  view.jobs = (m.job_order ?? view.jobs.map((j) => j.id)).map((id) => jobs.get(id)).filter(Boolean);
}
