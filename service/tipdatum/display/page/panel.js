// The large figure and the words around it. Called about ten times a second: quicker nobody reads.

import { make, setText } from "./dom.js";
import { tolerance } from "./model.js";
import { fallWords, tiltWords } from "./edge.js";
import { sayEach, sayMark } from "./texts.js";
import { UNIT_SETS, formatLength, lengthText, stepFor } from "./units.js";

const FAR_M = 0.995;
const FAR_STEP_M = { m: 0.01, ft: 0.03048, "ft-in": 0.0127 };

const at = (id) => document.getElementById(id);

/** The figure as `{text, unit, verdict, step}`: one rounding, for it and everything beside it. */
export function figureText(figure, { say, units, model }) {
  const { value, sigma } = figure;
  const deviation = figure.kind === "deviation";
  const fine = stepFor(sigma, units);
  // Far from the target nobody needs millimetres, and the figure keeps its size.
  const near = deviation && Math.abs(value) < FAR_M;
  const step = deviation && !near ? Math.max(fine, FAR_STEP_M[UNIT_SETS[units].long]) : fine;
  const { negative, digits, unit } = formatLength(value, near ? "short" : "long", units, { step, comma: say.comma });
  const zero = !/[1-9]/.test(digits);
  // Without a tolerance a figure of zero is on neither side.
  const verdict = deviation && zero && !tolerance(model.state) ? "at" : figure.verdict;
  const sign = negative ? "−" : deviation && !zero ? "+" : "";
  return { text: sign + digits, unit, verdict, step, near };
}

/** Shows the figure, or why there is none; without `beside` the figure alone, which has to follow every message. */
export function showFigure(figure, context, beside = true) {
  const { say, machine } = context;
  const known = figure.kind !== "none";
  at("known").hidden = !known;
  at("unknown").hidden = known;
  const panel = at("glance");
  if (!known) {
    panel.dataset.verdict = "none";
    const { why, remedy } = reasonWords(figure.why, { say, machine });
    setText(at("why"), why);
    setText(at("remedy"), remedy);
    setText(at("form-live"), why);
    setText(at("spoken"), why.replace(/[\d.,]+ s/, "")); // read aloud once, not at every tenth of a second
    return;
  }
  const { text, unit, verdict, step, near } = figureText(figure, context);
  panel.dataset.verdict = figure.kind === "deviation" ? verdict : "plain";
  const order = say(`order.${verdict}`);
  const point = figure.point && figure.point !== "tip" ? say(`point.${figure.point}`) : "";
  const words = [figure.kind === "deviation" && say(`verdict.${verdict}`), point].filter(Boolean).join(", ");
  setText(at("order"), order);
  setText(at("digits"), text);
  at("digits").dataset.size = text.length > 6 ? "longest" : text.length > 4 ? "long" : "";
  setText(at("unit"), unit);
  setText(at("verdict"), words);
  if (!beside) return;
  setText(at("spoken"), [order, words].filter(Boolean).join(", "));
  setText(at("form-live"), `${order} ${text} ${unit}`.trim());
  showDetails(figure, { ...context, step, near });
}

function showDetails(figure, { say, units, model, step, near }) {
  const { tip } = model;
  const long = (metres) => lengthText(metres, "long", units, { step, comma: say.comma });
  const short = (metres, sign) => lengthText(metres, near || Math.abs(metres) < FAR_M ? "short" : "long", units, { step, comma: say.comma, sign });
  const rows = [];
  if (figure.kind === "deviation") {
    if (tip.elevation_m !== null) rows.push(["detail.elevation", long(tip.elevation_m)]);
    const target = tip.target_m ?? (tip.elevation_m === null ? null : tip.elevation_m - tip.deviation_m);
    if (target !== null) rows.push(["detail.target", long(target)]);
    if (figure.point !== "tip") rows.push(["detail.tip", short(tip.deviation_m, true)]);
  }
  if (tip.reach_m !== null) rows.push(["detail.reach", lengthText(tip.reach_m, "long", units, { step: Math.max(step, 0.01), comma: say.comma })]);
  if (tip.left_m !== null && tip.right_m !== null) rows.push(["detail.tilt", short(tip.right_m - tip.left_m, true)]);
  const { arm } = model;
  if (typeof arm?.tilt_deg === "number" && typeof arm.edge_fall_percent === "number") {
    const set = tiltWords(arm, say);
    rows.push(["detail.edge", fallWords(arm.edge_fall_percent, say)]);
    if (set) rows.push(["detail.set", set]);
  }
  rows.push(["detail.sigma", `± ${lengthText(2 * tip.sigma_m, "short", units, { comma: say.comma })}`]);
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
  const reasons = sayEach(say, why.said, why.reasons).join("; ");
  return {
    why: say(why.key, values),
    remedy: [reasons, say(`remedy.${why.key}`, values)].filter(Boolean).join(". "),
  };
}

/** The line above the drawing: what is set. */
export function showHeading({ model, say, units, targetText, machine }) {
  setText(at("machine"), model.about?.machine?.name ?? machine);
  const { state, tip } = model;
  const datum = state?.datum ?? tip?.datum ?? "none";
  const mark = state?.reference?.mark;
  const parts = [datum === "set" && mark ? say("setup.set-on", { mark: sayMark(say, mark) }) : say(`setup.${datum}`)];
  parts.push(targetText ? say("setup.target", { target: targetText }) : say("setup.no-target"));
  const band = tolerance(state);
  if (band && state.target) {
    const { above, below } = band;
    const short = (m) => formatLength(m, "short", units, { comma: say.comma });
    const { digits, unit } = short(below);
    parts.push(say("setup.tolerance", { above: short(above).digits, below: `${digits} ${unit}`.trim() }));
  } else if (state?.target) parts.push(say("setup.no-tolerance"));
  setText(at("setup"), parts.join(" · "));
}
