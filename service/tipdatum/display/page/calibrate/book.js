// What is in the book, chapter by chapter, and what can be chosen from it.

import { make, setText } from "../dom.js";

let drawn = "";

/** Lists the steps; a touch on an open one goes there, on one that is done asks whether to take it back. */
export function showBook({ say, at, act, settings, state, missing }) {
  const view = missing ? null : state.view;
  at("book").hidden = !view?.chapters;
  if (!view?.chapters) return;
  const { known, kept } = view;
  const mm = (metres) => say.decimal((1000 * metres).toFixed(1));
  setText(at("known"), known ? say("guide.known", { worst: mm(known.worst_m), goal: mm(known.goal_m) }) : "");
  setText(at("kept"), say(kept.observations === 1 ? "guide.one-in-the-book" : "guide.in-the-book", { observations: kept.observations }));
  // Whoever has enough need not leave out every step that is left.
  const finish = at("finish");
  finish.hidden = !known || settings.role === "display" || view.stage === "end" || view.stage === "place";
  finish.disabled = state.waiting !== null;
  finish.onclick = () => act({ do: "finish" });
  const wanted = JSON.stringify(view.chapters);
  if (wanted === drawn) return;
  drawn = wanted;
  const may = settings.role !== "display";
  at("chapters").replaceChildren(...sections(view.chapters, say).map(({ name, steps }) => make(
    "section",
    {},
    make("h3", {}, `${name} ${steps.filter((s) => s.state === "done").length}/${steps.length}`),
    make("ol", {}, ...steps.map(({ id, state: how }, i) => make(
      "li",
      {},
      make("button", {
        type: "button", "data-state": how, disabled: !may || how === "now",
        "aria-current": how === "now" ? "step" : null,
        "aria-label": say("guide.step", { n: i + 1, name: short(id, say), state: say(`guide.state.${how}`) }),
        onclick: () => choose(id, how, act, say),
      }, make("span", { class: "tick", "aria-hidden": "true" }, { done: "✓", skipped: "–" }[how] ?? ""), short(id, say)),
    ))),
  )));
}

/** The chapters under their names; a bench has one for each sensor, and comes last when it is over. */
function sections(chapters, say) {
  const benched = ({ name, steps }) => name === "bench" && !steps.some(({ state }) => state === "now");
  const ordered = [...chapters.filter((c) => !benched(c)), ...chapters.filter(benched)];
  return ordered.flatMap(({ name, steps }) => {
    const title = say(`guide.chapter.${name}`);
    if (name !== "bench") return [{ name: title, steps }];
    const sensors = [...new Set(steps.map(({ id }) => ofBench(id)[0]))];
    return sensors.map((sensor) => ({
      name: `${title}: ${say.has(`body.${sensor}`) ? say(`body.${sensor}`) : sensor}`,
      steps: steps.filter(({ id }) => ofBench(id)[0] === sensor),
    }));
  });
}

const FACES = ["x↑", "x↓", "y↑", "y↓", "z↑", "z↓", "x↑y↑", "y↑z↑"];

/** Sensor and number of the face of a bench rest. */
function ofBench(id) {
  const [, sensor, face] = /^bench-(.+)-(\d)$/.exec(id);
  return [sensor, Number(face)];
}

/** Of a machine that swings and tilts both kinds of step stand in one chapter. */
const BESIDE = { swing: "boom_swing", tilt: "tilt" };

function short(id, say) {
  const [kind, ...rest] = id.split("-");
  if (kind === "bench") return FACES[ofBench(id)[1] - 1];
  if (kind === "motion") return say(`guide.short.${rest[0]}`);
  if (kind === "reversal") return `${rest[0]}°`;
  if (kind in BESIDE) return `${say(`guide.short.${BESIDE[kind]}`)} ${rest[0]}`;
  return kind === "touch" ? `${rest[0]} ${rest[1]}` : rest.join(" ");
}

function choose(id, how, act, say) {
  if (how !== "done") act({ do: "choose", step: id });
  else if (confirm(say("guide.take-back", { step: id }))) act({ do: "back", step: id });
}
