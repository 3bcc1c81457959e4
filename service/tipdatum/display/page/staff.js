// The plumb line: where the edge is against the target, for the corner of the eye. The target is always in the
// middle, on one scale that never changes, close to the middle wide and far from it narrow; the bob hangs on its
// line from above, its point is the edge. Lengths on the staff: the tolerance hatched, two sigma each way as a
// bar through the point, the way of the next half second as a second, hollow point.

import { fit, hatch, label, trail } from "./canvas.js";
import { formatLength } from "./units.js";

/** Deviation up to which the scale is nearly even, and the one at its ends, in metres. */
const EVEN_M = 0.04, END_M = 1;
/** How far ahead the hollow point is, in seconds. */
export const AHEAD_S = 0.5;
const METRIC = [0.02, 0.05, 0.1, 0.2, 0.5];
const FEET = [0.1, 0.2, 0.5, 1, 2].map((feet) => feet * 0.3048);
const INCHES = [1, 2, 4, 8, 24].map((inches) => inches * 0.0254);
const MARKS = { mm: METRIC, cm: METRIC, m: METRIC, ft: FEET, "ft-in": INCHES };

/** Place of a deviation on the staff: 0 in the middle, 1 at the upper end, -1 at the lower; never beyond. */
export function place(deviation) {
  const share = Math.asinh(deviation / EVEN_M) / Math.asinh(END_M / EVEN_M);
  return Math.max(-1, Math.min(1, share));
}

/** Where the edge will be in `AHEAD_S` at the speed of the last moments, or null. */
export function ahead(trend) {
  const last = trend.at(-1);
  if (!last || last.deviation === null) return null;
  const since = trend.findLastIndex(({ t }) => t <= last.t - 0.2);
  const first = trend[since];
  if (!first || first.deviation === null || last.t - first.t > 0.5) return null;
  return last.deviation + ((last.deviation - first.deviation) / (last.t - first.t)) * AHEAD_S;
}

/** Draws the staff; `figure` is the model's, `trend` the record's. */
export function drawStaff(canvas, { figure, trend, band, inks, units, comma, font }) {
  const { context, width, height } = fit(canvas);
  context.clearRect(0, 0, width, height);
  if (width < 30 || height < 60) return;
  const middle = Math.round(height / 2), half = height / 2 - 14;
  const y = (deviation) => middle - place(deviation) * half;
  const rail = width - 9;
  const size = Math.max(13, Math.min(22, width / 8));
  context.font = font.replace(/^\d+px/, `${size}px`);
  drawMarks(context, { y, rail, units, comma, inks, width });
  drawBand(context, { y, middle, width, band, inks });
  if (figure.kind !== "deviation") return;
  const { value, sigma, verdict } = figure;
  const x = width * 0.33;
  drawSide(context, { value: verdict === "on-grade" ? 0 : value, y, middle, x, width, inks });
  const next = ahead(trend);
  if (next !== null) drawNext(context, { from: y(value), to: y(next), x, width, inks });
  drawBob(context, { at: y(value), top: y(value + 2 * sigma), foot: y(value - 2 * sigma), x, width, inks, pinned: Math.abs(value) > END_M });
}

function drawMarks(context, { y, rail, units, comma, inks, width }) {
  const marks = MARKS[units];
  context.strokeStyle = inks.ink;
  context.fillStyle = inks.quiet;
  context.textAlign = "right";
  context.textBaseline = "middle";
  context.lineWidth = 2;
  context.beginPath();
  trail(context, [[rail, y(END_M)], [rail, y(-END_M)]]);
  for (const size of marks) for (const sign of [1, -1]) trail(context, [[rail - 10, y(sign * size)], [rail, y(sign * size)]]);
  context.stroke();
  if (width < 80) return;
  for (const size of marks.slice(-4)) {
    const kind = size < 0.3 || units === "mm" ? "short" : "long";
    const { digits } = formatLength(size, kind, units, { step: marks[0] / 4, comma });
    for (const sign of [1, -1]) context.fillText(digits, rail - 14, y(sign * size));
  }
}

function drawBand(context, { y, middle, width, band, inks }) {
  if (band) {
    const top = Math.min(middle - 4, y(band.above)), foot = Math.max(middle + 4, y(-band.below));
    context.fillStyle = hatch(context, inks.target, 8, -1, 1.6);
    context.fillRect(0, top, width, foot - top);
    context.strokeStyle = inks.target;
    context.lineWidth = 2;
    context.beginPath();
    for (const edge of [top, foot]) trail(context, [[0, edge], [width, edge]]);
    context.stroke();
  }
  context.strokeStyle = inks.target;
  context.lineWidth = 4;
  context.setLineDash([22, 5, 4, 5]);
  context.beginPath();
  trail(context, [[0, middle], [width, middle]]);
  context.stroke();
  context.setLineDash([]);
}

/** From the edge to the target: what is left to cut lies hatched as ground, what is over-dug is an empty box. */
function drawSide(context, { value, y, middle, x, width, inks }) {
  const to = y(value);
  if (Math.abs(to - middle) < 3) return;
  const left = x - width * 0.17, across = width * 0.34;
  if (value > 0) {
    context.fillStyle = hatch(context, inks.ground, 9, 1, 2.4);
    context.fillRect(left, to, across, middle - to);
  }
  context.strokeStyle = inks.ground;
  context.lineWidth = value > 0 ? 1.5 : 3;
  context.strokeRect(left, Math.min(to, middle), across, Math.abs(to - middle));
}

function point(context, x, y, size) {
  context.beginPath();
  trail(context, [[x, y], [x - 0.62 * size, y - size], [x - 0.5 * size, y - 1.35 * size], [x + 0.5 * size, y - 1.35 * size], [x + 0.62 * size, y - size]]);
  context.closePath();
}

function drawNext(context, { from, to, x, width, inks }) {
  if (Math.abs(to - from) < 5) return;
  context.strokeStyle = inks.tip;
  context.lineWidth = 2.5;
  context.beginPath();
  trail(context, [[x, from], [x, to]]);
  context.stroke();
  point(context, x, to, width * 0.2);
  context.stroke();
}

function drawBob(context, { at, top, foot, x, width, inks, pinned }) {
  context.strokeStyle = inks.tip;
  context.fillStyle = inks.tip;
  context.lineWidth = 2;
  context.beginPath();
  trail(context, [[x, 0], [x, at]]);
  context.stroke();
  // Two sigma each way, as an I through the point.
  const half = width * 0.27;
  context.globalAlpha = 0.35;
  context.fillRect(x - half, top, 2 * half, Math.max(3, foot - top));
  context.globalAlpha = 1;
  context.fillRect(x - half, at - 2, 2 * half, 4);
  point(context, x, at, width * 0.24);
  context.fill();
  context.strokeStyle = inks.paper;
  context.lineWidth = 2;
  context.stroke();
  if (pinned) label(context, "⋯", x, at + (at < 40 ? 16 : -0.5 * width), { colour: inks.tip, paper: inks.paper, align: "center" });
}
