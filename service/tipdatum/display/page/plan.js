// Seen from above: the lines of the boom that were dug, by slew angle and reach. Ground that is still too high is
// hatched, the closer the more is left; what is over-dug stands solid; what lies within the tolerance is a plain
// outline. Points are crosses. Straight ahead is where slew is zero.

import { fit, hatch, label, trail } from "./canvas.js";
import { BIN_M } from "./record.js";
import { axisStep, axisText } from "./units.js";

/** Half the angle that a line of the boom takes up in the drawing, degrees. */
const HALF_LINE_DEG = 3.2;

/** Draws the plan; `scene` as the section's, with `lines`, `slew` and `points`. */
export function drawPlan(canvas, scene) {
  const { context, width, height } = fit(canvas);
  if (width < 40 || height < 40) return;
  const { inks, reachMost, lines, slew, font, words } = scene;
  context.fillStyle = inks.paper;
  context.fillRect(0, 0, width, height);
  context.font = font;
  const k = Math.min((width - 40) / (2 * reachMost), (height - 56) / (1.35 * reachMost));
  const origin = { x: width / 2, y: height - 28 - 0.3 * reachMost * k };
  const at = (reach, degrees) => {
    const angle = (degrees * Math.PI) / 180;
    return [origin.x - reach * k * Math.sin(angle), origin.y - reach * k * Math.cos(angle)];
  };
  drawRings(context, { at, k, origin, scene, width });
  for (const line of lines) drawLine(context, { line, at, scene });
  drawMachine(context, { at, k, slew: slew ?? 0, scene, origin });
  if (slew === null) label(context, words.noSlew, 12, height - 12, { colour: inks.quiet, paper: inks.paper, baseline: "bottom" });
  context.strokeStyle = inks.ink;
  context.lineWidth = 1.5;
  context.strokeRect(0.75, 0.75, width - 1.5, height - 1.5);
}

function drawRings(context, { at, k, origin, scene, width }) {
  const { inks, reachMost, units, comma } = scene;
  const step = axisStep(60 / k, units);
  context.strokeStyle = inks.faint;
  context.lineWidth = 1;
  for (let reach = step; reach < reachMost + step; reach += step) {
    context.beginPath();
    context.arc(origin.x, origin.y, reach * k, 0, 2 * Math.PI);
    context.stroke();
  }
  for (const degrees of [-90, -60, -30, 0, 30, 60, 90]) {
    context.beginPath();
    trail(context, [[origin.x, origin.y], at(reachMost, degrees)]);
    context.stroke();
    const [x, y] = at(reachMost + 14 / k, degrees);
    if (x > 20 && x < width - 20 && y > 10) label(context, `${degrees}°`.replace("-", "−"), x, y, { colour: inks.quiet, paper: inks.paper, align: "center" });
  }
  for (let reach = step; reach < reachMost; reach += step) {
    const [x, y] = at(reach, 0);
    label(context, axisText(reach, step, units, comma), x + 4, y, { colour: inks.quiet, paper: inks.paper });
  }
}

/** How a step of the ground is filled: the tone says how far from the target, the kind says the side. */
function fill(context, deviation, { band, inks }) {
  const above = band?.above ?? 0, below = band?.below ?? 0;
  if (deviation === null) return hatch(context, inks.quiet, 7, -1, 1);
  if (deviation > above) return hatch(context, inks.ground, deviation - above > 0.15 ? 4 : deviation - above > 0.05 ? 6 : 9, 1, 1.6);
  if (deviation < -below) return inks.tip;
  return null;
}

function drawLine(context, { line, at, scene }) {
  const { inks } = scene;
  const middle = line.slew ?? 0;
  for (const [reach, , deviation] of line.ground) {
    const [near, far] = [reach - 0.6 * BIN_M, reach + 0.6 * BIN_M]; // no seams between two steps
    context.beginPath();
    trail(context, [at(near, middle - HALF_LINE_DEG), at(far, middle - HALF_LINE_DEG), at(far, middle + HALF_LINE_DEG), at(near, middle + HALF_LINE_DEG)]);
    context.closePath();
    const style = fill(context, deviation, scene);
    if (!style) continue;
    context.globalAlpha = style === inks.tip ? Math.min(1, 0.45 + 4 * Math.abs(deviation)) : 1;
    context.fillStyle = style;
    context.fill();
    context.globalAlpha = 1;
  }
  if (!line.ground.length) return;
  const [first, last] = [line.ground[0][0], line.ground.at(-1)[0]];
  context.strokeStyle = inks.ground;
  context.lineWidth = 1.5;
  context.beginPath();
  trail(context, [at(first, middle - HALF_LINE_DEG), at(last, middle - HALF_LINE_DEG), at(last, middle + HALF_LINE_DEG), at(first, middle + HALF_LINE_DEG)]);
  context.closePath();
  context.stroke();
}

/** Foot of the boom and ends of the edge, [reach, lateral] in the boom plane's axes. */
function planOf({ swing, foot, pivot, corners }) {
  const edge = corners?.map(({ reach_m, lateral_m }) => [reach_m, lateral_m]) ?? null;
  if (swing === null || !foot || !pivot) return { foot: [0, 0], edge };
  const back = (-swing * Math.PI) / 180;
  const x = pivot[0] * Math.cos(back) - pivot[1] * Math.sin(back), y = pivot[0] * Math.sin(back) + pivot[1] * Math.cos(back);
  return { foot: [x + foot[0] - pivot[0], y + foot[1] - pivot[1]], edge };
}

function drawMachine(context, { at, k, slew, scene, origin }) {
  const { inks, tip, points, words } = scene;
  const size = 1.4 * k;
  context.strokeStyle = inks.ink;
  context.lineWidth = 2;
  context.beginPath();
  context.rect(origin.x - 0.85 * size, origin.y - size, 0.4 * size, 2 * size);
  context.rect(origin.x + 0.45 * size, origin.y - size, 0.4 * size, 2 * size);
  context.stroke();
  if (tip) {
    context.lineWidth = 5;
    context.beginPath();
    // In the boom plane's axes: a boom that is swung starts at its foot and not at the slew axis.
    const angle = (slew * Math.PI) / 180;
    const there = (reach, lateral) => [
      origin.x - k * (reach * Math.sin(angle) + lateral * Math.cos(angle)),
      origin.y - k * (reach * Math.cos(angle) - lateral * Math.sin(angle)),
    ];
    const { foot, edge } = planOf(scene);
    const middle = edge ? [(edge[0][0] + edge[1][0]) / 2, (edge[0][1] + edge[1][1]) / 2] : [tip.reach, 0];
    trail(context, [there(...foot), there(...middle)]);
    context.stroke();
    const half = 0.5 * (scene.edge ?? 0.6);
    const [left, right] = edge ?? [[tip.reach, half], [tip.reach, -half]];
    context.strokeStyle = inks.tip;
    context.beginPath();
    trail(context, [there(...left), there(...right)]);
    context.stroke();
  }
  context.fillStyle = inks.paper;
  context.strokeStyle = inks.ink;
  context.lineWidth = 2;
  context.beginPath();
  context.arc(origin.x, origin.y, 0.5 * size, 0, 2 * Math.PI);
  context.fill();
  context.stroke();
  for (const one of points) {
    const [x, y] = at(one.reach, one.slew);
    context.beginPath();
    trail(context, [[x - 5, y - 5], [x + 5, y + 5]]);
    trail(context, [[x - 5, y + 5], [x + 5, y - 5]]);
    context.stroke();
    if (one.name) label(context, one.name, x + 8, y - 6, { colour: inks.ink, paper: inks.paper });
  }
  label(context, words.plan, 12, 12, { colour: inks.quiet, paper: inks.paper, baseline: "top" });
}
