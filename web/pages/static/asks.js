// What a person is asked now, most urgent first; nothing here draws.

// asksOf lists what a person is asked, in order.
export function asksOf(v) {
  const asks = [];
  for (const p of v.printers) {
    if (p.next_start) asks.push({ kind: "countdown", key: "countdown " + p.name, p, job: v.jobs.find((j) => j.id === p.next_job) });
  }
  // A machine that holds a piece in the air, or lays a first layer, does not wait
  // as well as a full plate does.
  for (const p of v.printers) {
    if (p.held && (p.held.step === "waits" || p.held.step === "")) asks.push({ kind: "held", key: "held " + p.name + " " + (p.run?.id ?? 0) + " " + p.held.since, p });
    if (p.run?.eyes === "asked") asks.push({ kind: "eyes", key: "eyes " + p.name + " " + p.run.id, p });
  }
  if (!v.hours.answered) asks.push({ kind: "hours", key: "hours", v });
  for (const p of v.printers) {
    if (p.plate.question) asks.push({ kind: "plate", key: "plate " + p.name + " " + (p.plate.run_id ?? 0), p });
  }
  for (const m of v.mishaps) {
    if (!m.decided) asks.push({ kind: "mishap", key: "mishap " + m.id, m });
  }
  for (const j of v.jobs) {
    if (j.remainder_of && j.state === "awaits-yield" && !j.printer) asks.push({ kind: "join", key: "join " + j.id, j });
  }
  const named = new Set(asks.map((a) => a.p?.name ?? a.m?.printer));
  for (const p of v.printers) {
    // An absent printer's mishap or plate says it already; a faulted one tells more.
    if (p.phase === "absent" && named.has(p.name)) continue;
    if ((p.phase === "absent" || p.phase === "faulted") && !p.out_of_service) asks.push({ kind: "look", key: "look " + p.phase + " " + p.name, p });
  }
  return asks;
}
