// The section: true to scale, seen from the machine's right side, reach to the right and elevation up.
// Drawn as a surveyor draws a longitudinal section, with the machine in outline over it.

import { fit, hatch, label, trail } from "./canvas.js";
import { TRACE_S } from "./record.js";
import { drawArm, drawStand } from "./silhouette.js";
import { axisStep, axisText } from "./units.js";

const LEFT = 52, BOTTOM = 24; // px, the margins that carry the axes' figures
const EASE_S = 0.35;
const CALM = matchMedia("(prefers-reduced-motion: reduce)");
const SHADES = 6;
const NEAR_M = 1.6, FAR_M = 4; // height of the view, close to the target and far from it
const WHOLE_M = 1.0; // farther from the target than this, the whole arm is the better picture

export class Section {
  /** `{x, y}` in metres at the middle of the view, and its height in metres. */
  #view = null; #seen = 0; #lived = false;
  /** "follow" the tip and close in on it, the "whole" arm, or "held" where somebody's finger left it. */
  mode = "follow";

  constructor(canvas) {
    this.canvas = canvas;
  }

  /** Moves the picture by pixels, or magnifies it by a factor; it then stays where it was put. */
  nudge(dx, dy, factor = 1) {
    if (!this.#view) return;
    this.mode = "held";
    const perPixel = this.#view.height / this.#plot.height;
    this.#view.x -= dx * perPixel;
    this.#view.y += dy * perPixel;
    this.#view.height = Math.max(0.6, Math.min(25, this.#view.height / factor));
  }

  #plot = { width: 1, height: 1 };

  /** Draws the scene; returns whether the view is still on its way, so that another frame is wanted. */
  draw(scene, now) {
    const { context, width, height } = fit(this.canvas);
    if (width < 40 || height < 40) return false;
    this.#plot = { width: width - LEFT, height: height - BOTTOM };
    const moving = this.#aim(scene, Math.min(0.1, (now - this.#seen) / 1000));
    this.#seen = now;
    const { x: cx, y: cy, height: span } = this.#view;
    const k = this.#plot.height / span; // px per metre, the same both ways
    const place = {
      k,
      x: (reach) => LEFT + this.#plot.width / 2 + (reach - cx) * k,
      y: (elevation) => this.#plot.height / 2 - (elevation - cy) * k,
      left: cx - this.#plot.width / 2 / k,
      right: cx + this.#plot.width / 2 / k,
      top: cy + span / 2,
      bottom: cy - span / 2,
    };
    context.fillStyle = scene.inks.paper;
    context.fillRect(0, 0, width, height);
    context.font = scene.font;
    drawGrid(context, place, scene, width, height);
    context.save();
    context.beginPath();
    context.rect(LEFT, 0, this.#plot.width, this.#plot.height);
    context.clip();
    drawStand(context, place, scene);
    drawAxisOfSlew(context, place, scene);
    drawBeside(context, place, scene);
    drawGround(context, place, scene);
    drawTarget(context, place, scene);
    drawLimits(context, place, scene);
    drawTrace(context, place, scene);
    if (scene.live) {
      drawArm(context, place, scene);
      drawDimension(context, place, scene);
      drawDepth(context, place, scene);
      drawTip(context, place, scene);
    }
    context.restore();
    drawFrame(context, place, scene, width, height);
    return moving;
  }

  #aim(scene, dt) {
    const wish = this.#wish(scene);
    // What was shown before the first figures came is no place to glide from; and some eyes bear no gliding.
    if (!this.#view || (scene.live && !this.#lived) || CALM.matches) {
      this.#view = wish;
      this.#lived = scene.live;
      return false;
    }
    const share = 1 - Math.exp(-dt / EASE_S);
    let most = 0;
    for (const key of ["x", "y", "height"]) {
      const step = wish[key] - this.#view[key];
      most = Math.max(most, Math.abs(step));
      this.#view[key] += Math.abs(step) < 0.002 ? step : step * share;
    }
    return most >= 0.002;
  }

  #wish({ live, tip, deviation, arm, reachMost, offset }) {
    const aspect = this.#plot.width / this.#plot.height;
    const view = this.#view;
    if (this.mode === "held" && view) return { ...view };
    if (this.mode === "whole" || !tip || deviation === null || Math.abs(deviation) > WHOLE_M) {
      const span = Math.max((reachMost + 3.4) / aspect, 0.95 * reachMost);
      const middle = { x: (reachMost - 2.6) / 2, y: (offset ?? 0) + 0.1 * reachMost, height: span };
      return view && !arm && !live ? { ...view } : middle;
    }
    const height = Math.max(NEAR_M, Math.min(FAR_M, NEAR_M + 2.5 * (Math.abs(deviation) - 0.1)));
    // The picture rests while the tip is well inside it, so that eyes can rest on the ground line.
    const rest = (middle, at, half) => Math.max(at - half, Math.min(at + half, middle));
    const aim = tip.elevation - Math.sign(deviation) * Math.min(Math.abs(deviation), height) / 3;
    return {
      x: rest(view?.x ?? tip.reach, tip.reach, 0.22 * height * aspect),
      y: rest(view?.y ?? aim, aim, 0.16 * height),
      height,
    };
  }
}

function drawGrid(context, place, { inks, units, comma }, width, height) {
  const step = axisStep(44 / place.k, units);
  context.strokeStyle = inks.faint;
  context.fillStyle = inks.quiet;
  context.lineWidth = 1;
  context.beginPath();
  context.textAlign = "center";
  context.textBaseline = "top";
  for (let i = Math.ceil(place.left / step); i * step <= place.right; i += 1) {
    const x = Math.round(place.x(i * step)) + 0.5;
    context.moveTo(x, 0);
    context.lineTo(x, height - BOTTOM);
    if (x > LEFT + 12 && x < width - 14) context.fillText(axisText(i * step, step, units, comma), x, height - BOTTOM + 6);
  }
  context.textAlign = "right";
  context.textBaseline = "middle";
  for (let i = Math.ceil(place.bottom / step); i * step <= place.top; i += 1) {
    const y = Math.round(place.y(i * step)) + 0.5;
    context.moveTo(LEFT, y);
    context.lineTo(width, y);
    if (y > 22 && y < height - BOTTOM - 6) context.fillText(axisText(i * step, step, units, comma), LEFT - 6, y);
  }
  context.stroke();
}

function drawFrame(context, place, { inks, words, limits }, width, height) {
  context.strokeStyle = inks.ink;
  context.lineWidth = 1.5;
  context.strokeRect(LEFT, 0.75, width - LEFT - 0.75, height - BOTTOM - 0.75);
  context.fillStyle = inks.quiet;
  context.textBaseline = "top";
  context.textAlign = "left";
  label(context, words.elevation, LEFT + 6, 6, { colour: inks.quiet, paper: inks.paper, baseline: "top" });
  // A limit's name says more than the axis'.
  const taken = limits.some(({ axis, value }) => axis === "elevation" && Math.abs(place.y(value) - (height - BOTTOM)) < 34);
  if (!taken) label(context, words.reach, LEFT + 6, height - BOTTOM - 6, { colour: inks.quiet, paper: inks.paper, baseline: "bottom" });
}

/** The slew axis as a centre line, and where the tracks stand on it. */
function drawAxisOfSlew(context, place, { inks, offset, words }) {
  const x = place.x(0);
  if (x < LEFT) return;
  context.strokeStyle = inks.quiet;
  context.lineWidth = 1;
  context.setLineDash([18, 4, 3, 4]);
  context.beginPath();
  context.moveTo(x, place.y(place.top));
  context.lineTo(x, place.y(place.bottom));
  context.stroke();
  context.setLineDash([]);
  label(context, words.slewAxis, x + 8, place.y(place.top) + 26, { colour: inks.quiet, paper: inks.paper });
}

/** The ground beside the trench, where somebody touched it: from the machine to the far end, but for the dig. */
function drawBeside(context, place, { beside, ground, inks, words }) {
  if (beside === null) return;
  const y = place.y(beside);
  const dug = ground.filter(([, elevation]) => elevation < beside - 0.05).map(([reach]) => reach);
  const [near, far] = dug.length ? [Math.min(...dug), Math.max(...dug)] : [Infinity, Infinity];
  context.strokeStyle = inks.ground;
  context.lineWidth = 2;
  context.beginPath();
  trail(context, [[place.x(place.left), y], [place.x(Math.min(near, place.right)), y]]);
  if (far < place.right) trail(context, [[place.x(far), y], [place.x(place.right), y]]);
  context.stroke();
  // The old sign for grown ground: short strokes leaning under the line.
  context.lineWidth = 1.2;
  context.beginPath();
  for (let reach = Math.ceil(place.left / 0.5) * 0.5; reach < place.right; reach += 0.5) {
    if (reach > near && reach < far) continue;
    for (const shift of [0, 5, 10]) trail(context, [[place.x(reach) + shift, y], [place.x(reach) + shift - 6, y + 8]]);
  }
  context.stroke();
  label(context, words.beside, place.x(place.right) - 10, y - 10, { colour: inks.ground, paper: inks.paper, align: "right" });
}

function drawGround(context, place, { ground, inks, words }) {
  if (ground.length < 2) return;
  const pieces = [];
  let piece = [];
  ground.forEach(([reach, elevation], i) => {
    if (i && reach - ground[i - 1][0] > 0.3) {
      pieces.push(piece);
      piece = [];
    }
    piece.push([place.x(reach), place.y(elevation)]);
  });
  pieces.push(piece);
  context.lineJoin = "round";
  for (const line of pieces) {
    context.beginPath();
    trail(context, [...line, ...line.toReversed().map(([x, y]) => [x, y + 13])]);
    context.fillStyle = hatch(context, inks.ground, 8, 1, 1.2);
    context.fill();
    context.beginPath();
    trail(context, line);
    context.strokeStyle = inks.ground;
    context.lineWidth = 2.5;
    context.stroke();
  }
  const seen = pieces.flat().filter(([x]) => x > LEFT && x < place.x(place.right) - 100);
  if (!seen.length) return;
  const [x, y] = seen.at(-1);
  label(context, words.ground, x + 8, y + 22, { colour: inks.ground, paper: inks.paper });
}

function drawTarget(context, place, { targetLine, band, inks, words }) {
  if (!targetLine) return;
  const line = targetLine(place.left, place.right).map(([reach, elevation]) => [place.x(reach), place.y(elevation)]);
  if (line.length < 2) return;
  const { above, below } = band ?? { above: 0, below: 0 };
  if (band) {
    context.beginPath();
    const upper = line.map(([x, y]) => [x, y - above * place.k]);
    const lower = line.map(([x, y]) => [x, y + below * place.k]);
    trail(context, [...upper, ...lower.toReversed()]);
    context.fillStyle = hatch(context, inks.target, 7, -1);
    context.globalAlpha = 0.5;
    context.fill();
    context.globalAlpha = 1;
  }
  context.strokeStyle = inks.target;
  context.lineWidth = 2;
  context.setLineDash([22, 5, 4, 5]);
  context.beginPath();
  trail(context, line);
  context.stroke();
  context.setLineDash([]);
  const [x, y] = line[0];
  label(context, words.target, Math.max(x, LEFT) + 8, y - 6 - above * place.k, {
    colour: inks.target, paper: inks.paper, baseline: "bottom",
  });
}

/** Ceiling, floor, near and far: a thick line out of bounds of a thin one, and the name on the side in bounds. */
function drawLimits(context, place, { limits, inks }) {
  for (const { axis, value, inward, name } of limits) {
    context.strokeStyle = inks.ink;
    const flat = axis === "elevation";
    const at = Math.round(flat ? place.y(value) : place.x(value)) + 0.5;
    for (const [offset, weight] of [[0, 1], [-4 * inward, 3]]) {
      const line = at + offset;
      context.lineWidth = weight;
      context.beginPath();
      if (flat) trail(context, [[place.x(place.left), line], [place.x(place.right), line]]);
      else trail(context, [[line, place.y(place.top)], [line, place.y(place.bottom)]]);
      context.stroke();
    }
    const style = { colour: inks.ink, paper: inks.paper };
    if (flat) label(context, name, LEFT + 12, at + 12 * inward, style);
    else label(context, name, at + 8 * inward, place.y(place.top) + 48, { ...style, align: inward > 0 ? "left" : "right" });
  }
}

/** The last passes of the tip; the older, the fainter. One stroke a shade, not one a sample. */
function drawTrace(context, place, { trace, inks }) {
  if (trace.length < 2) return;
  const newest = trace.at(-1).t;
  context.strokeStyle = inks.tip;
  context.lineWidth = 1.2;
  context.lineJoin = "round";
  let i = 0;
  for (let shade = 0; shade < SHADES; shade += 1) {
    const until = newest - TRACE_S * (1 - (shade + 1) / SHADES);
    context.globalAlpha = 0.08 + 0.5 * ((shade + 1) / SHADES) ** 2;
    context.beginPath();
    // Each shade begins where the one before ended, so that the line has no gaps.
    let pen = false;
    for (i = Math.max(0, i - 1); i < trace.length && trace[i].t <= until; i += 1) {
      const { reach, elevation, after } = trace[i];
      if (pen && !after) context.lineTo(place.x(reach), place.y(elevation));
      else context.moveTo(place.x(reach), place.y(elevation));
      pen = true;
    }
    context.stroke();
  }
  context.globalAlpha = 1;
}

/** The depth under the ground beside, as a dimension at the edge of the picture's tip. */
function drawDepth(context, place, { depth, beside, tip, inks, words }) {
  if (depth === null || !tip) return;
  const x = Math.min(place.x(tip.reach) + 64, place.x(place.right) - 30), from = place.y(beside), to = place.y(tip.elevation);
  if (to - from < 24) return;
  context.strokeStyle = inks.quiet;
  context.lineWidth = 1;
  context.beginPath();
  trail(context, [[x, from], [x, to]]);
  trail(context, [[place.x(tip.reach) + 10, to], [x + 6, to]]);
  for (const y of [from, to]) trail(context, [[x - 5, y + 5], [x + 5, y - 5]]);
  context.stroke();
  const y = Math.max(place.y(place.top) + 20, (from + to) / 2);
  label(context, words.depth, x + 8, y, { colour: inks.ink, paper: inks.paper, align: x > place.x(place.right) - 110 ? "right" : "left" });
}

/** The deviation as a draughtsman's dimension, without a number: there is one large figure, and one only. */
function drawDimension(context, place, { tip, deviation, inks }) {
  if (deviation === null || !tip) return;
  const x = place.x(tip.reach), from = place.y(tip.elevation), to = place.y(tip.elevation - deviation);
  if (Math.abs(from - to) < 10) return;
  context.strokeStyle = inks.ink;
  context.lineWidth = 1;
  context.beginPath();
  trail(context, [[x, from], [x, to]]);
  for (const y of [from, to]) trail(context, [[x - 5, y + 5], [x + 5, y - 5]]);
  context.stroke();
}

/** The tip: a bar as thick as 2 sigma each way, and a plumb bob's point so that it is found at any zoom. */
function drawTip(context, place, { tip, sigma, inks }) {
  if (!tip) return;
  const x = place.x(tip.reach), y = place.y(tip.elevation);
  const half = Math.max(1.5, 2 * sigma * place.k);
  context.fillStyle = inks.tip;
  context.globalAlpha = 0.35;
  context.fillRect(x - 26, y - half, 52, 2 * half);
  context.globalAlpha = 1;
  context.fillRect(x - 26, y - 1.5, 52, 3);
  context.strokeStyle = inks.paper;
  context.lineWidth = 2;
  context.beginPath();
  trail(context, [[x, y], [x - 8, y - 15], [x, y - 20], [x + 8, y - 15]]);
  context.closePath();
  context.stroke();
  context.fill();
}
