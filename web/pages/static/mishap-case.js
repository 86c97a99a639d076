// One mishap to decide on, and the three steps to printing only what is missing:
// how high the good piece is, what that means, and the word to go.

import { h, idOf, say, setText, show } from "./dom.js";
import { ago, causeWord, clock, grams, heaterName, many, mm, span } from "./words.js";
import { doing, jobPath, post } from "./ask.js";
import { field, open } from "./dialogs.js";
import { silhouette } from "./silhouette.js";
import { drawing } from "./drawing.js";

const heightWords = { recorded: "As recorded", measured: "Measured", missing: "The whole less what broke off", given: "As you picked it" };
const wayWords = { whole: "The whole piece again", remainder: "Only what is missing, then join", "in-place": "Go on where it stands", "other-way": "Another way of making it" };

// numbers reads caliper values: with blanks or ; between, and a point or a comma.
export function numbers(text) {
  const words = text.trim().split(/[\s;]+/).filter(Boolean);
  const all = words.map((w) => Number(w.replace(",", ".").replace(/mm$/, "")));
  return all.every((n) => Number.isFinite(n) && n > 0) ? all : null;
}

export function mishapCase(m, queued) {
  const id = "mishap-" + m.id;
  const picture = silhouette();
  const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
  const steps = h("div", { class: "steps", hidden: true });
  const decide = (button, again) => doing(button, wrong, () => post(jobPath(m.job_id, "decide"), { again }));
  const start = h("button", { type: "button", class: "act", "aria-expanded": "false", onclick: () => {
    start.setAttribute("aria-expanded", "true");
    show(acts, false);
    show(steps, true);
    first();
  } }, "Print only what is missing…");
  const again = h("button", { type: "button", class: "act plain", onclick: () => decide(again, true) }, "Print it whole again");
  const giveUp = h("button", { type: "button", class: "act plain", onclick: () => open({
    title: "Give up " + m.part + "?",
    text: "Job " + m.job_id + " ends, and the piece is not printed again unless its file is added anew.",
    yes: "Give it up",
    warn: true,
    request: () => post(jobPath(m.job_id, "decide"), { again: false }),
  }) }, "Give it up…");
  const acts = h("div", { class: "acts" }, m.completed_mm > 0 && start, again, giveUp);
  const when = h("p", { class: "quiet" });

  const draw = (doneMM) => picture.update({ heightMM: m.height_mm, widthMM: m.width_mm, doneMM, outline: m.outline, state: "broken" });
  draw(m.completed_mm);

  // Step one: how high?
  const how = (value, label, ...more) => {
    const radio = h("input", { type: "radio", name: id + "-how", value });
    radio.addEventListener("change", chosen);
    return { radio, el: h("div", { class: "how" }, h("label", { class: "check" }, radio, label), ...more) };
  };
  const readings = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", maxlength: "200" });
  const picked = h("input", { type: "number", inputmode: "decimal", step: "any", min: "0", max: m.height_mm, value: mm(m.completed_mm) });
  const missing = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", maxlength: "200" });
  const readingsField = field("Millimetres, at three places or more", readings, "Plate side to the highest layer that is whole. Example: 77.4 77.6 77.3");
  const pickedField = field("Height in millimetres", picked, "Or touch the drawing where the good piece ends.");
  const missingField = field("Height of the piece that broke off, mm", missing, "The same way; it is taken off the whole height.");
  const measured = how("measured", "I measured what stands", readingsField);
  const recorded = how("recorded", "As recorded: " + mm(m.completed_mm) + " mm");
  const given = how("given", "I pick the height on the drawing", pickedField);
  const broken = how("missing", "I have what broke off and measured that", missingField);
  const noPlastic = h("input", { type: "checkbox" });
  const next = h("button", { type: "submit", class: "act" }, "See what that means");
  const stepWrong = h("p", { class: "wrong", role: "alert", hidden: true });

  function chosen() {
    show(readingsField, measured.radio.checked);
    show(pickedField, given.radio.checked);
    show(missingField, broken.radio.checked);
    picture.el.classList.toggle("pickable", given.radio.checked && !steps.hidden);
    if (!given.radio.checked) draw(m.completed_mm);
  }
  picked.addEventListener("input", () => draw(Math.min(m.height_mm, Math.max(0, Number(picked.value) || 0))));
  picture.el.addEventListener("click", (e) => {
    if (!given.radio.checked || steps.hidden) return;
    const box = picture.el.getBoundingClientRect();
    const height = picture.heightAt(((e.clientY - box.top) / box.height));
    picked.value = mm(height);
    draw(height);
  });

  function request(confirm) {
    const body = { no_plastic: noPlastic.checked, confirm };
    const values = (input, name) => {
      const all = numbers(input.value);
      if (!all || all.length === 0) throw new Error("Give the " + name + " in millimetres, such as 77.4.");
      return all;
    };
    if (measured.radio.checked) body.measured_mm = values(readings, "readings");
    else if (broken.radio.checked) body.missing_mm = values(missing, "readings");
    else if (given.radio.checked) body.height_mm = Number(picked.value);
    return post(jobPath(m.job_id, "reprint"), body);
  }

  const head = (n, text) => h("h3", { class: "step-head", tabindex: "-1" }, h("span", { class: "step-number" }, n + " of 3"), " " + text);

  function put(...kids) {
    steps.replaceChildren(...kids.filter(Boolean));
    steps.querySelector(".step-head")?.focus();
  }

  function first() {
    if (![measured, recorded, given, broken].some((c) => c.radio.checked)) measured.radio.checked = true;
    put(
      head(1, "How high is the good piece?"),
      h("form", { onsubmit: async (e) => {
        e.preventDefault();
        let r;
        if (await doing(next, stepWrong, async () => { r = await request(false); })) second(r);
      } },
      h("p", {}, "Take the piece off the plate when it is cold. Stand it up and measure with calipers, if you have them at hand."),
      measured.el, recorded.el, given.el, broken.el,
      h("label", { class: "check" }, noPlastic, "It may have gone on without plastic (a clog, an empty reel)"),
      stepWrong,
      h("div", { class: "acts" }, next, h("button", { type: "button", class: "act plain", onclick: leave }, "Leave it"))),
    );
    chosen();
  }

  function leave() {
    show(steps, false);
    show(acts, true);
    start.setAttribute("aria-expanded", "false");
    picture.el.classList.remove("pickable");
    draw(m.completed_mm);
    start.focus();
  }

  // Step two: what each height means, and the ways on.
  function second(r) {
    draw(r.cut_mm > 0 ? r.cut_mm : m.completed_mm);
    picture.el.classList.remove("pickable");
    const may = r.ways.some((w) => w.kind === "remainder" && w.possible);
    const cut = r.picture ? drawing(r.picture) : null;
    put(
      head(2, "Cut at " + mm(r.cut_mm) + " mm"),
      h("p", { class: "ask-what" }, "Good up to layer " + r.good_layers + " of " + r.layer_count + "; " + many(r.layers_left, "layer is", "layers are") + " missing, " + mm(r.left_mm) + " mm."),
      h("p", {}, r.trusted_why + "."),
      h("table", { class: "heights" },
        h("thead", {}, h("tr", {}, ["Height", "mm", "Layer", "Next"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, r.heights.map((x) => {
          const trusted = x.how === r.trusted?.how && x.mm === r.trusted?.mm;
          return h("tr", { class: trusted ? "trusted" : "" }, h("th", { scope: "row" }, (trusted ? "▸ " : "") + (heightWords[x.how] ?? x.how)), h("td", {}, x.mm.toFixed(2)), h("td", {}, x.good_layers + ", ends at " + x.top_mm.toFixed(2)), h("td", {}, x.next_layer_mm.toFixed(2)));
        }))),
      r.readings?.refused?.length > 0 && h("p", { class: "job-warnings" }, "△ Not used, since they do not agree with the others: " + r.readings.refused.map((v) => v.toFixed(2)).join(", ")),
      cut && h("div", { class: "cut" }, cut),
      r.remarks.length > 0 && h("div", {}, h("h4", {}, "Before you print it"), h("ul", { class: "cautions" }, r.remarks.map((k) => h("li", {}, k.text)))),
      h("h4", {}, "The ways on"),
      h("ul", { class: "choices" }, r.ways.map((w) => {
        const best = w.kind === r.take;
        return h("li", { class: "choice", "data-best": best },
          h("p", { class: "choice-head" }, h("strong", {}, wayWords[w.kind] ?? w.kind), best && h("span", { class: "choice-best" }, " ✓ recommended")),
          w.possible
            ? h("dl", { class: "choice-facts" }, [["Prints for", span(w.hours * 3600)], ["Filament", grams(w.grams)], ["Your hands", span(w.hands_minutes * 60)], ["May fail", Math.round(100 * w.risk) + " %"]].map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v))))
            : h("p", { class: "quiet" }, "✕ not possible"),
          w.text && h("p", { class: "quiet" }, w.text));
      })),
      r.take_why && h("p", {}, h("strong", {}, "Why: "), r.take_why + "."),
      r.sink_why && h("details", { class: "more" }, h("summary", {}, "With a slicer instead"), h("p", {}, r.sink_why)),
      h("div", { class: "acts" },
        may && h("button", { type: "button", class: "act" + (r.take === "whole" ? " plain" : ""), onclick: () => third(r) }, "Print what is missing…"),
        h("button", { type: "button", class: "act" + (r.take === "whole" ? "" : " plain"), onclick: (e) => doing(e.currentTarget, wrong, () => post(jobPath(m.job_id, "decide"), { again: true })) }, "Print it whole again"),
        h("button", { type: "button", class: "act plain", onclick: first }, "Back")),
    );
  }

  // Step three: the word to go.
  function third(r) {
    const bad = h("p", { class: "wrong", role: "alert", hidden: true });
    const way = r.ways.find((w) => w.kind === "remainder");
    const yes = h("button", { type: "button", class: "act", onclick: async () => {
      let done;
      if (await doing(yes, bad, async () => { done = await request(true); })) fourth(done);
    } }, "Queue what is missing");
    put(
      head(3, "Queue what is missing?"),
      h("p", { class: "ask-what" }, "The upper " + mm(r.left_mm) + " mm of " + m.part + ", " + span((way?.hours ?? 0) * 3600) + ", " + grams(way?.grams ?? 0) + ", as a job of its own."),
      h("ul", { class: "plain-list" },
        h("li", {}, "Keep the good piece of job " + m.job_id + " and write on it: " + mm(r.cut_mm) + " mm."),
        h("li", {}, "It starts like any job: when a machine suits and its plate is clear."),
        h("li", {}, "When both are cold: join them at " + mm(r.cut_mm) + " mm, let the joint cure, and say so here. Only then does the piece count.")),
      bad,
      h("div", { class: "acts" }, yes, h("button", { type: "button", class: "act plain", onclick: () => second(r) }, "Back")),
    );
  }

  function fourth(r) {
    queued();
    show(wrong, false);
    say("Job " + r.job_id + " is queued.");
    put(
      h("h3", { class: "step-head", tabindex: "-1" }, "✓ Job " + r.job_id + " prints what is missing"),
      h("p", {}, "Keep the good piece, marked " + mm(r.cut_mm) + " mm. When job " + r.job_id + " is done, this page asks whether the two are joined and hold."),
    );
  }

  const heat = (m.heat ?? []).length > 0 && h(
    "table", { class: "heat-table" },
    h("caption", {}, "Its last minutes"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Time"), m.heat[0].heaters.map((t) => h("th", { scope: "col" }, heaterName(t.name))))),
    h("tbody", {}, m.heat.slice(-8).map((q) => h("tr", {}, h("td", {}, clock(q.at)), q.heaters.map((t) => h("td", {}, t.actual_c.toFixed(1) + " of " + Math.round(t.target_c) + " °C"))))),
  );

  const el = h(
    "article", { class: "case", id, "aria-labelledby": idOf(id, "head") },
    h("div", { class: "case-picture" }, picture.el),
    h("div", { class: "case-words" },
      h("h3", { id: idOf(id, "head") }, m.part),
      h("p", { class: "height" }, h("span", { class: "done" }, mm(m.completed_mm)), " ", h("span", { class: "wanted" }, "of " + mm(m.height_mm) + " mm are down")),
      h("p", { class: "ask-what" }, m.printer + ": " + causeWord(m.cause) + "."),
      when,
      h("details", { class: "more" }, h("summary", {}, "What happened"),
        h("p", {}, m.text),
        h("p", {}, many(m.layer, "layer is", "layers are") + " certainly down; the layer up to " + mm(m.in_progress_mm) + " mm was being laid, at line " + m.line.toLocaleString("en-GB") + ". " + Math.round(m.grams_spent) + " g were spent."),
        heat),
      h("div", { class: "changes" }, acts, steps, wrong)),
  );
  const tick = () => setText(when, "at " + clock(m.at) + ", " + ago(m.at));
  return { el, tick, update: tick };
}
