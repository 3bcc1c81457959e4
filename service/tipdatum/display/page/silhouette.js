// The machine in the section: silhouettes in ink over paper, so that what lies behind stays behind.

import { hatch, label, trail } from "./canvas.js";

function outline(context, place, points) {
  context.beginPath();
  trail(context, points.map(({ reach, elevation }) => [place.x(reach), place.y(elevation)]));
}

/** A body: paper inside, so that what lies behind stays behind, and an outline. */
function body(context, place, points, { inks, weight = 1.6, tone = null }) {
  outline(context, place, points);
  context.closePath();
  context.fillStyle = inks.paper;
  context.fill();
  if (tone) {
    context.fillStyle = tone;
    context.fill();
  }
  context.lineJoin = "round";
  context.lineWidth = weight;
  context.strokeStyle = inks.ink;
  context.stroke();
}

/** The machine where it stands: tracks, house and cab. */
export function drawStand(context, place, { stand, inks }) {
  const tone = hatch(context, inks.faint, 6, 1, 1.4);
  for (const { points, tracks } of stand) {
    body(context, place, points, { inks, weight: 1.4, tone });
    if (!tracks) continue;
    context.beginPath();
    for (const x of [-tracks.half, tracks.half]) {
      const r = 0.72 * tracks.radius * place.k;
      context.moveTo(place.x(x) + r, place.y(tracks.middle));
      context.arc(place.x(x), place.y(tracks.middle), r, 0, 2 * Math.PI);
    }
    context.lineWidth = 1;
    context.stroke();
  }
}

/** The arm over what was dug, with its pins, and the angle of the bucket's floor. */
export function drawArm(context, place, { arm, shapes, floor, inks, words }) {
  if (!arm) return;
  const tone = hatch(context, inks.faint, 6, 1, 1.4);
  for (const { name, points, bar } of shapes) {
    if (bar) {
      for (const [colour, weight] of [[inks.ink, 7], [inks.paper, 4]]) {
        outline(context, place, points);
        context.strokeStyle = colour;
        context.lineWidth = weight;
        context.stroke();
      }
    } else body(context, place, points, { inks, tone, weight: name === "bucket" ? 2.2 : 1.6 });
  }
  context.lineWidth = 1.5;
  context.strokeStyle = inks.ink;
  context.fillStyle = inks.paper;
  for (const { reach, elevation } of arm.slice(0, -1)) {
    context.beginPath();
    context.arc(place.x(reach), place.y(elevation), Math.max(2.5, Math.min(5, 0.07 * place.k)), 0, 2 * Math.PI);
    context.fill();
    context.stroke();
  }
  if (floor === null) return;
  const pin = arm.at(-2);
  label(context, words.floor, place.x(pin.reach) + 16, place.y(pin.elevation) - 16, { colour: inks.ink, paper: inks.paper });
}
