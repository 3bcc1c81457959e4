// The edge from the driver's seat: true to scale, square to the boom, left on the left. The target under it, the
// cutting edge with both corners and how far each is from the target, the two falls, and the tilt to set.

import { fit, hatch, label, trail } from "./canvas.js";
import { lengthText, percentText } from "./units.js";

/** Height of the button that lies over the drawing's lower right corner, with its margin, px. */
const BUTTON = 84;
/** Of what is read from the levers, the largest first, px. */
const SIZES = [34, 30, 26, 24, 22, 20, 18, 16, 15, 14, 13];
/** Falls closer than this are called the same, rise over run. */
const SAME = 0.003;

/** Whether there is anything to see: an edge that can be tilted, or a target that is not level across. */
export function edgeMatters(model) {
  const { arm, state } = model;
  if (!arm?.corners) return false;
  return typeof arm.tilt_deg === "number" || state?.target?.kind === "ditch" || Boolean(state?.target?.cross);
}

/** A fall in words, from percent that rise to the left: "10 %, falling right". */
export function fallWords(percent, say) {
  const size = percentText(Math.round(Math.abs(percent) * 10) / 1000, say.comma); // hundredths would never rest
  if (Math.abs(percent) < 0.05) return say("edge.level");
  return say("edge.fall", { grade: size, side: say(percent > 0 ? "side.right" : "side.left") });
}

/** What to do with the tilt, or that nothing is to be done, at length and short; none where it cannot be set. */
export function tiltWords(arm, say) {
  const { tilt_to_set_deg: turn, edge_fall_percent: edge, target_fall_percent: target } = arm ?? {};
  if (typeof turn !== "number" || typeof edge !== "number" || typeof target !== "number") return [];
  if (Math.abs(target - edge) < 100 * SAME) return [say("edge.set"), say("edge.set-short")];
  const angle = Math.abs(turn).toFixed(1);
  const values = { angle: say.comma ? angle.replace(".", ",") : angle, side: say(target > edge ? "side.left" : "side.right") };
  return [say("edge.tilt", values), say("edge.tilt-short", values)];
}

/** Draws it; `scene` as the section's, with `across`. */
export function drawEdge(canvas, scene) {
  const { context, width, height } = fit(canvas);
  if (width < 40 || height < 40) return;
  const { inks, font, words, across } = scene;
  context.fillStyle = inks.paper;
  context.fillRect(0, 0, width, height);
  context.font = font;
  const top = across ? drawFigures(context, scene, width, height) : 0;
  const bottom = height - (height > 520 ? 30 : BUTTON);
  if (across && bottom - top > 30) {
    const { corners } = across;
    const middle = { lateral: (corners[0].lateral + corners[1].lateral) / 2, elevation: (corners[0].elevation + corners[1].elevation) / 2 };
    const span = Math.max(Math.abs(corners[0].lateral - corners[1].lateral), Math.abs(corners[0].elevation - corners[1].elevation), 0.6);
    // The bucket's back stands over the edge, the target runs under it.
    const k = Math.min((width - 40) / (1.4 * span), (bottom - top) / (0.95 * span));
    const level = bottom - 0.4 * (bottom - top);
    const place = {
      k,
      x: (lateral) => width / 2 - (lateral - middle.lateral) * k,
      y: (elevation) => level - (elevation - middle.elevation) * k,
    };
    context.save();
    context.beginPath();
    context.rect(0, top, width, height - top);
    context.clip();
    drawPlumb(context, place, { middle, inks, height });
    drawTargetAcross(context, place, scene);
    drawCorners(context, place, scene);
    context.restore();
  }
  if (!across) label(context, words.edge, 12, 12, { colour: inks.quiet, paper: inks.paper, baseline: "top" });
  context.strokeStyle = inks.ink;
  context.lineWidth = 1.5;
  context.strokeRect(0.75, 0.75, width - 1.5, height - 1.5);
}

/**
 * What has to be read from the levers: the tilt to set, what each corner is off by, the two falls; as large as there
 * is room. Returns where they end.
 */
function drawFigures(context, { across, inks, font, words }, width, height) {
  const sizes = SIZES.map((size) => Math.min(size, Math.max(13, Math.round(height / 12))));
  const smaller = sizes.map((size) => Math.max(13, size - 4));
  const room = width - 24;
  let y = 10;
  const line = (texts, wanted, weight) => {
    const size = larger(context, texts, wanted, weight, font, room);
    const text = texts.find((one) => context.measureText(one).width <= room) ?? texts.at(-1);
    label(context, text, 12, y, { colour: inks.ink, paper: inks.paper, baseline: "top" });
    y += Math.round(1.25 * size);
  };
  const [left, right] = across.corners;
  if (across.tiltWords.length) line(across.tiltWords, sizes, 700);
  else if (height > 320) line([words.edge], [13], 400);
  // Both corners in one size, the left one on the left, the one that governs in the edge's own ink.
  const size = larger(context, [`${left.text}    ${right.text}`], smaller, 650, font, room);
  for (const [corner, x, align] of [[left, 12, "left"], [right, width - 12, "right"]]) {
    label(context, corner.text, x, y, { colour: corner.governs ? inks.tip : inks.ink, paper: inks.paper, baseline: "top", align });
  }
  y += Math.round(1.3 * size);
  for (const [text, colour] of [[across.edgeWords, inks.ink], [across.targetWords, inks.target]]) {
    if (!text) continue;
    const small = larger(context, [text], [16, 15, 14, 13, 12, 11], 400, font, room);
    label(context, text, 12, y, { colour, paper: inks.paper, baseline: "top" });
    y += Math.round(1.25 * small);
  }
  context.font = font;
  return y + 4;
}

/** Sets the largest of `sizes` in which one of the texts finds room, and returns it; the first text goes before. */
function larger(context, texts, sizes, weight, font, room) {
  for (const text of texts) {
    for (const size of text === texts.at(-1) ? sizes : sizes.slice(0, 3)) {
      context.font = `${weight} ${font.replace(/^\d+px/, `${size}px`)}`;
      if (context.measureText(text).width <= room) return size;
    }
  }
  return sizes.at(-1);
}

/** Level and plumb through the middle of the edge, so that a fall is seen as one. */
function drawPlumb(context, place, { middle, inks, height }) {
  const [x, y] = [place.x(middle.lateral), place.y(middle.elevation)];
  context.strokeStyle = inks.faint;
  context.lineWidth = 1.5;
  context.beginPath();
  trail(context, [[0, y], [2 * x, y]]);
  trail(context, [[x, 0], [x, height]]);
  context.stroke();
}

function drawTargetAcross(context, place, { across, band, inks }) {
  const line = across.target.map(({ lateral, elevation }) => [place.x(lateral), place.y(elevation)]);
  if (line.length < 2) return;
  if (band) {
    context.beginPath();
    trail(context, [...line.map(([x, y]) => [x, y - band.above * place.k]), ...line.map(([x, y]) => [x, y + band.below * place.k]).toReversed()]);
    context.fillStyle = hatch(context, inks.target, 7, -1);
    context.globalAlpha = 0.5;
    context.fill();
    context.globalAlpha = 1;
  }
  context.strokeStyle = inks.target;
  context.lineWidth = 2.5;
  context.setLineDash([22, 5, 4, 5]);
  context.beginPath();
  trail(context, line);
  context.stroke();
  context.setLineDash([]);
}

/** The bucket from behind: its edge as a bar, its back in outline. */
function drawCorners(context, place, { across, inks }) {
  const [left, right] = across.corners.map((one) => ({ ...one, x: place.x(one.lateral), y: place.y(one.elevation) }));
  const [dx, dy] = [right.x - left.x, right.y - left.y];
  const length = Math.hypot(dx, dy);
  if (length < 2) return;
  const up = 0.42 * Math.min(length, 220);
  const [nx, ny] = [(dy / length) * up, (-dx / length) * up];
  context.beginPath();
  trail(context, [[left.x, left.y], [right.x, right.y], [right.x + nx - 0.06 * dx, right.y + ny - 0.06 * dy], [left.x + nx + 0.06 * dx, left.y + ny + 0.06 * dy]]);
  context.closePath();
  context.fillStyle = hatch(context, inks.faint, 6, 1, 1.4);
  context.fill();
  context.strokeStyle = inks.ink;
  context.lineWidth = 1.6;
  context.stroke();
  context.strokeStyle = inks.tip;
  context.lineWidth = 5;
  context.beginPath();
  trail(context, [[left.x, left.y], [right.x, right.y]]);
  context.stroke();
}
