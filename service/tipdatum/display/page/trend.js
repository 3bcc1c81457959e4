// The last seconds of the deviation, as a ribbon whose thickness is what is not known: 2 sigma each way.

import { fit, hatch, label } from "./canvas.js";
import { TREND_S } from "./record.js";
import { lengthText } from "./units.js";

const SCALE_S = 3;
const LABELS_FROM = 44; // px of height: lower, the scale's ends would lie on one another
/** From the middle to the edge, in metres: round figures of each set of units. */
const METRIC = [0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10];
const SCALES = {
  mm: METRIC, cm: METRIC, m: METRIC,
  ft: [0.1, 0.2, 0.5, 1, 2, 5, 10, 20].map((feet) => feet * 0.3048),
  "ft-in": [1, 2, 4, 8, 12, 24, 48, 120, 240].map((inches) => inches * 0.0254),
};

/** The last seconds decide: close to the target the trace opens up, and what was far before runs off its edge. */
function scaleFor(samples, now, units) {
  let most = 0;
  for (const { t, deviation } of samples) if (t > now - SCALE_S) most = Math.max(most, Math.abs(deviation ?? 0));
  return SCALES[units].find((scale) => scale >= 1.1 * most) ?? SCALES[units].at(-1);
}

/** Runs of samples without a gap. */
function* runs(samples) {
  let run = [];
  for (const sample of samples) {
    const gap = run.length && sample.t - run.at(-1).t > 0.3;
    if ((sample.deviation === null || gap) && run.length) {
      yield run;
      run = [];
    }
    if (sample.deviation !== null) run.push(sample);
  }
  if (run.length) yield run;
}

export function drawTrend(canvas, { trend, band, inks, units, comma, font }) {
  const { context, width, height } = fit(canvas);
  context.clearRect(0, 0, width, height);
  if (!trend.length || width < 20) return;
  const now = trend.at(-1).t;
  const scale = scaleFor(trend, now, units);
  const middle = height / 2;
  const y = (deviation) => middle - (deviation / scale) * (middle - 2);
  const x = (t) => width - ((now - t) / TREND_S) * width;

  if (band) {
    context.fillStyle = hatch(context, inks.target, 7);
    context.globalAlpha = 0.55;
    context.fillRect(0, y(band.above), width, y(-band.below) - y(band.above));
    context.globalAlpha = 1;
  }
  context.strokeStyle = inks.target;
  context.lineWidth = 1.5;
  context.setLineDash([14, 4, 3, 4]);
  context.beginPath();
  context.moveTo(0, middle);
  context.lineTo(width, middle);
  context.stroke();
  context.setLineDash([]);

  context.fillStyle = inks.tip;
  context.strokeStyle = inks.tip;
  context.lineWidth = 2;
  context.lineJoin = "round";
  for (const run of runs(trend)) {
    context.beginPath();
    for (const s of run) context.lineTo(x(s.t), y(s.deviation + 2 * s.sigma));
    for (const s of run.toReversed()) context.lineTo(x(s.t), y(s.deviation - 2 * s.sigma));
    context.globalAlpha = 0.35;
    context.fill();
    context.globalAlpha = 1;
    context.beginPath();
    for (const s of run) context.lineTo(x(s.t), y(s.deviation));
    context.stroke();
  }

  if (height < LABELS_FROM) return;
  context.font = font;
  const style = { colour: inks.quiet, paper: inks.paper };
  const kind = scale < 1 ? "short" : "long";
  const edge = (metres) => lengthText(metres, kind, units, { comma, sign: true, step: SCALES[units][0] / 2 });
  label(context, edge(scale), 4, 2, { ...style, baseline: "top" });
  label(context, edge(-scale), 4, height - 2, { ...style, baseline: "bottom" });
}
