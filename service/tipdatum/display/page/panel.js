// The large figure and the words around it. Called about ten times a second: quicker nobody reads.

import { make, setText } from "./dom.js";
import { tolerance } from "./model.js";
import { sayReason } from "./texts.js";
import { UNIT_SETS, formatLength, lengthText, stepFor } from "./units.js";

const FAR_M = 0.995;
const FAR_STEP_M = { m: 0.01, ft: 0.03048, "ft-in": 0.0127 };

const at = (id) => document.getElementById(id);

/** Shows the figure, or why there is none. */
export function showFigure(figure, { say, units, model, machine }) {
  const known = figure.kind !== "none";
  at("known").hidden = !known;
  at("unknown").hidden = known;
  const panel = at("figure");
  if (!known) {
    panel.dataset.verdict = "none";
    const { why, remedy } = reasonWords(figure.why, { say, machine });
    setText(at("why"), why);
    setText(at("remedy"), remedy);
    setText(at("spoken"), why.replace(/[\d.,]+ s/, "")); // read aloud once, not at every tenth of a second
    return;
  }
  const { value, sigma } = figure;
  const deviation = figure.kind === "deviation";
  const step = stepFor(sigma, units);
  // Far from the target nobody needs millimetres, and the figure keeps its size.
  const near = deviation && Math.abs(value) < FAR_M;
  const rounded = { step: deviation && !near ? Math.max(step, FAR_STEP_M[UNIT_SETS[units].long]) : step, comma: say.comma };
  const { negative, digits, unit } = formatLength(value, near ? "short" : "long", units, rounded);
  const zero = !/[1-9]/.test(digits);
  // Without a tolerance a figure of zero is on neither side.
  const verdict = deviation && zero && !tolerance(model.state) ? "at" : figure.verdict;
  panel.dataset.verdict = deviation ? verdict : "plain";
  const sign = negative ? "−" : deviation && !zero ? "+" : "";
  setText(at("verdict"), say(`verdict.${verdict}`));
  setText(at("digits"), sign + digits);
  at("digits").classList.toggle("long", (sign + digits).length > 4);
  setText(at("unit"), unit);
  setText(at("spoken"), say(`verdict.${verdict}`));
  showDetails(figure, { say, units, model, step });
}

function showDetails(figure, { say, units, model, step }) {
  const { tip } = model;
  const long = (metres) => lengthText(metres, "long", units, { step, comma: say.comma });
  const short = (metres, sign) => lengthText(metres, "short", units, { comma: say.comma, sign });
  const rows = [];
  if (figure.kind === "deviation") {
    if (tip.elevation_m !== null) rows.push(["detail.elevation", long(tip.elevation_m)]);
    const target = tip.target_m ?? (tip.elevation_m === null ? null : tip.elevation_m - tip.deviation_m);
    if (target !== null) rows.push(["detail.target", long(target)]);
  }
  if (tip.reach_m !== null) rows.push(["detail.reach", lengthText(tip.reach_m, "long", units, { step: Math.max(step, 0.01), comma: say.comma })]);
  if (figure.kind === "deviation" && tip.governing && tip.governing !== "tip") {
    rows.push([`point.${tip.governing}`, short(tip.governing_deviation_m, true)]);
  } else if (tip.left_m !== null && tip.right_m !== null) rows.push(["detail.tilt", short(tip.right_m - tip.left_m, true)]);
  if (figure.kind !== "deviation") rows.push(["detail.sigma", `± ${short(2 * tip.sigma_m)}`]);
  const list = at("details");
  if (list.children.length !== 2 * rows.length) {
    list.replaceChildren(...rows.flatMap(() => [make("dt"), make("dd")]));
  }
  rows.forEach(([key, text], i) => {
    setText(list.children[2 * i], say(key));
    setText(list.children[2 * i + 1], text);
  });
}

/** The reason and what to do about it, in words. */
export function reasonWords(why, { say, machine }) {
  const seconds = why.seconds === null || why.seconds === undefined ? "" : why.seconds.toFixed(why.seconds < 10 ? 1 : 0);
  const values = { seconds: say.comma ? seconds.replace(".", ",") : seconds, detail: why.detail ?? "", machine };
  const reasons = (why.reasons ?? []).map((reason) => sayReason(say, reason)).join("; ");
  return {
    why: say(why.key, values),
    remedy: [reasons, say(`remedy.${why.key}`, values)].filter(Boolean).join(". "),
  };
}

/** The line above the drawing: what is set, and what asks for attention. */
export function showHeading({ model, say, units, targetText, machine, now }) {
  setText(at("machine"), model.about?.machine?.name ?? machine);
  const { state, tip } = model;
  const datum = state?.datum ?? tip?.datum ?? "none";
  const mark = state?.reference?.mark;
  const parts = [datum === "set" && mark ? say("setup.set-on", { mark }) : say(`setup.${datum}`)];
  parts.push(targetText ? say("setup.target", { target: targetText }) : say("setup.no-target"));
  const band = tolerance(state);
  if (band && state.target) {
    const { above, below } = band;
    const short = (m) => formatLength(m, "short", units, { comma: say.comma });
    const { digits, unit } = short(below);
    parts.push(say("setup.tolerance", { above: short(above).digits, below: `${digits} ${unit}`.trim() }));
  }
  setText(at("setup"), parts.join(" · "));
  const [worst] = model.warnings(now);
  const what = worst ? [say(`limit.${worst.kind}`), worst.note].filter(Boolean).join(", ") : "";
  const words = worst ? [say(`warn.limit.${worst.state}`, { what })] : [];
  if (tip && model.silence(now) === null) {
    if (tip.quality === "settling") words.push(say("warn.settling"));
    // What is assumed because nothing measures it; that the arm moves an operator sees.
    const assumed = tip.reasons.filter((reason) => reason.endsWith("assumed"));
    words.push(...assumed.map((reason) => sayReason(say, reason)));
  }
  setText(at("warning"), words.join(" · "));
}
