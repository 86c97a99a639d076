// What else can be said of a job: where it stands among the others, on which
// printers it may run, and that it is wanted once more.

import { h } from "./dom.js";
import { open } from "./dialogs.js";
import { doing, jobPath, post } from "./ask.js";

// moved gives the jobs to put first so that job id stands `by` places on among
// those that wait with its priority; null when it stands there already.
export function moved(jobs, id, by) {
  const j = jobs.find((x) => x.id === id);
  const line = jobs.filter((x) => (x.state === "queued" || x.state === "on-hold") && x.priority === j.priority).map((x) => x.id);
  const from = line.indexOf(id);
  const to = Math.min(line.length - 1, Math.max(0, from + by));
  if (from < 0 || to === from) return null;
  line.splice(to, 0, line.splice(from, 1)[0]);
  return line.slice(0, Math.max(from, to) + 1);
}

export function jobDialog(j, view) {
  const waits = j.state === "queued" || j.state === "on-hold";
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  const said = h("p", { class: "quiet", role: "status" });
  const now = (word, what, text) => h("button", { type: "button", class: "act plain", onclick: (e) => {
    const body = what();
    if (body === null) {
      said.textContent = "It stands there already.";
      return;
    }
    doing(e.currentTarget, wrong, async () => {
      const got = await post(...body);
      said.textContent = text(got);
    });
  } }, word);
  const move = (word, by, text) => now(word, () => {
    const jobs = moved(view.jobs, j.id, by);
    return jobs && ["/api/order", { jobs }];
  }, () => text);
  const steps = h("div", { class: "acts" },
    waits && move("To the front", -1e6, "It comes first now, among those of its priority."),
    waits && move("One earlier", -1, "It stands one place earlier."),
    waits && move("One later", 1, "It stands one place later."),
    j.order > 0 && now("Give its place up", () => ["/api/order", { jobs: [j.id], free: true }], () => "It waits where the house puts it."),
    now("Once more", () => [jobPath(j.id, "again")], (got) => "Job " + got.job + " is queued, like this one."));
  const names = view.printers.filter((p) => (p.kind === "by-hand") === (j.kind === "by-hand")).map((p) => p.name);
  const may = (name) => (j.only_on?.length ? j.only_on.includes(name) : true) && !(j.not_on ?? []).includes(name);
  const boxes = names.map((name) => h("input", { type: "checkbox", value: name, checked: may(name) }));
  open({
    title: "Job " + j.id + ": " + j.part,
    body: [
      steps, said, wrong,
      waits && h("fieldset", { class: "only-on" }, h("legend", {}, "It may run on"), boxes.map((b) => h("label", { class: "check" }, b, b.value))),
    ],
    yes: waits ? "Only on these" : "Done",
    request: () => {
      if (!waits || boxes.every((b) => b.checked === b.defaultChecked)) return undefined;
      const on = boxes.filter((b) => b.checked).map((b) => b.value);
      // All of them is no bound: a printer that comes later may take it too.
      return post(jobPath(j.id, "confine"), { only_on: on.length === names.length ? [] : on, not_on: on.length === 0 ? names : [] });
    },
  });
}
