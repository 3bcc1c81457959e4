// The edge from the driver's seat: true to scale, square to the boom, left on the left. The target under it, the
// cutting edge with both corners and how far each is from the target, the two falls, and the tilt to set.

import { fit, hatch, label, trail } from "./canvas.js";
import { lengthText, percentText } from "./units.js";

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

/** What to do with the tilt, or that nothing is to be done; null where it cannot be tilted or set. */
export function tiltWords(arm, say) {
  const { tilt_to_set_deg: turn, edge_fall_percent: edge, target_fall_percent: target } = arm ?? {};
  if (typeof turn !== "number" || typeof edge !== "number" || typeof target !== "number") return null;
  if (Math.abs(target - edge) < 100 * SAME) return say("edge.set");
  const angle = Math.abs(turn).toFixed(1);
  return say("edge.tilt", { angle: say.comma ? angle.replace(".", ",") : angle, side: say(target > edge ? "side.left" : "side.right") });
}

/** Draws it; `scene` as the section's, with `across`. */
export function drawEdge(canvas, scene) {
  const { context, width, height } = fit(canvas);
  if (width < 40 || height < 40) return;
  const { inks, font, words, across } = scene;
  context.fillStyle = inks.paper;
  context.fillRect(0, 0, width, height);
  context.font = font;
  if (across) {
    const { corners } = across;
    const middle = { lateral: (corners[0].lateral + corners[1].lateral) / 2, elevation: (corners[0].elevation + corners[1].elevation) / 2 };
    const span = Math.max(Math.abs(corners[0].lateral - corners[1].lateral), Math.abs(corners[0].elevation - corners[1].elevation), 0.6);
    const k = Math.min((width - 60) / (1.7 * span), (height - 150) / (1.1 * span));
    const place = {
      k,
      x: (lateral) => width / 2 - (lateral - middle.lateral) * k,
      y: (elevation) => height / 2 - (elevation - middle.elevation) * k,
    };
    drawPlumb(context, place, { middle, inks, height });
    drawTargetAcross(context, place, scene, width, height);
    drawCorners(context, place, scene);
  }
  label(context, words.edge, 12, 12, { colour: inks.quiet, paper: inks.paper, baseline: "top" });
  if (across) {
    [across.edgeWords, across.targetWords, across.tiltWords].filter(Boolean).forEach((text, i) => {
      label(context, text, 12, 38 + 22 * i, { colour: i === 1 ? inks.target : inks.ink, paper: inks.paper, baseline: "top" });
    });
  }
  context.strokeStyle = inks.ink;
  context.lineWidth = 1.5;
  context.strokeRect(0.75, 0.75, width - 1.5, height - 1.5);
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

function drawTargetAcross(context, place, { across, band, inks, words }, width, height) {
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
  // On a narrow drawing the ends are out of sight: the name stands where the line is.
  const seen = line.find(([x, y]) => x < width - 20 && y > 130 && y < height - 20);
  if (seen) label(context, words.target, Math.max(12, seen[0] - 90), seen[1] + 16, { colour: inks.target, paper: inks.paper });
}

/** The bucket from behind: its edge as a bar, its back in outline, a figure at each corner. */
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
  for (const corner of [left, right]) {
    if (!corner.text) continue;
    label(context, corner.text, corner.x, Math.max(left.y, right.y) + 26, { colour: inks.ink, paper: inks.paper, align: "center" });
  }
}
