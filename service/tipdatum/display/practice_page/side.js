// The machine from the side of its boom, and the ground under it, in the plane in which the arm moves.

import { sayWord } from "../texts.js";
import { fitted } from "./levers.js";

const MARGIN = 14;

/** Place of a reach and a height on the canvas, one scale for both. */
function placeOf(canvas, scene, view) {
  const arm = scene.arm.reduce((sum, { length_m }) => sum + length_m, 0);
  const back = 0.36 * arm, ahead = 0.98 * arm + 0.4;
  const { clientWidth: w, clientHeight: h } = canvas;
  const up = 0.78 * arm, down = Math.max(0.3 * arm, (scene.task?.depth_m ?? 0) + 0.8);
  const k = Math.min((w - 2 * MARGIN) / (back + ahead), (h - 2 * MARGIN) / (up + down));
  const x0 = MARGIN + (w - 2 * MARGIN - k * (back + ahead)) / 2 + k * back;
  const y0 = h - MARGIN - k * down - (h - 2 * MARGIN - k * (up + down)) * 0.3;
  return { k, x: (reach) => x0 + k * reach, y: (height) => y0 - k * height, view };
}

function path(context, points, close = true) {
  context.beginPath();
  points.forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
  if (close) context.closePath();
}

/** Points of a section's own frame (along, across) from one pin towards the next, on the canvas. */
function along(place, from, to, outline) {
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  const c = (to[0] - from[0]) / length, s = (to[1] - from[1]) / length;
  return outline.map(([a, b]) => [place.x(from[0] + c * a - s * b), place.y(from[1] + s * a + c * b)]);
}

function body(context, points, ink, fill = ink.paper) {
  path(context, points);
  context.fillStyle = fill;
  context.fill();
  context.lineWidth = 1.8;
  context.lineJoin = "round";
  context.strokeStyle = ink.ink;
  context.stroke();
}

function drawGround(context, place, { ground }, { clientWidth: w, clientHeight: h }, ink) {
  const points = ground.z.map((z, i) => [place.x(ground.from + i * ground.step), place.y(z)]);
  const line = [[-5, points[0][1]], ...points, [w + 5, points.at(-1)[1]]];
  path(context, [...line, [w + 5, h + 5], [-5, h + 5]]);
  const depth = context.createLinearGradient(0, place.y(0), 0, h);
  depth.addColorStop(0, ink.soil);
  depth.addColorStop(1, ink.deep);
  context.fillStyle = depth;
  context.fill();
  path(context, line, false);
  context.lineWidth = 2.2;
  context.strokeStyle = ink.ground;
  context.stroke();
  if (ground.plane.length === 2) {
    context.setLineDash([9, 5]);
    context.lineWidth = 2.4;
    context.strokeStyle = ink.target;
    path(context, ground.plane.map(([reach, z]) => [place.x(reach), place.y(z)]), false);
    context.stroke();
    context.setLineDash([]);
  }
}

function drawStand(context, place, scene, view, ink) {
  const [, , lift] = view.place, swing = ((view.angle.swing ?? 0) * Math.PI) / 180;
  const slew = (view.angle.slew * Math.PI) / 180 + swing;
  const { length_m: length, gauge_m: gauge } = scene.tracks, size = scene.size;
  const half = (Math.abs(Math.cos(slew)) * (length + 0.7 * size) + Math.abs(Math.sin(slew)) * (gauge + 0.55 * size)) / 2;
  // How the boom's plane leans is seen at the boom's foot.
  const foot = view.pins[0], pivot = scene.swing_pivot_m, [, , fz] = scene.foot_m;
  // Along the arm's plane the foot comes nearer when the boom swings about its pivot.
  const px = pivot && pivot[0] * Math.cos(swing) + pivot[1] * Math.sin(swing), fx = pivot ? px + scene.foot_m[0] - pivot[0] : scene.foot_m[0];
  const lean = Math.atan2(foot[1] - lift, foot[0]) - Math.atan2(fz, fx);
  const c = Math.cos(lean), s = Math.sin(lean);
  const at = ([x, z]) => [place.x(c * x - s * z), place.y(lift + s * x + c * z)];
  // Where the boom is swung aside the upper is seen from its corner: shorter, but never narrower than it is wide.
  const aside = ([x, z]) => at([x * Math.max(0.55, Math.cos(swing)), z]);
  const shoe = 0.36 * size;
  const tracks = [];
  for (let i = 0; i <= 10; i++) tracks.push([half - shoe + shoe * Math.sin((i / 10) * Math.PI), shoe - shoe * Math.cos((i / 10) * Math.PI)]);
  for (let i = 0; i <= 10; i++) tracks.push([-half + shoe - shoe * Math.sin((i / 10) * Math.PI), shoe + shoe * Math.cos((i / 10) * Math.PI)]);
  body(context, tracks.map(at), ink, ink.steel);
  context.lineWidth = 1;
  for (const x of [-half + shoe, -half / 3, half / 3, half - shoe]) {
    const [px, py] = at([x, shoe]);
    context.beginPath();
    context.arc(px, py, 0.62 * shoe * place.k, 0, 2 * Math.PI);
    context.stroke();
  }
  const k = size;
  if (pivot) { // what carries the swing, and the post that turns in it
    const [front, low, high] = [0.6 * k * Math.max(0.55, Math.cos(swing)), 0.95 * k, 1.45 * k];
    body(context, [[front, low], [px + 0.1 * k, low + 0.1 * k], [px + 0.1 * k, high - 0.05 * k], [front, high]].map(at), ink, ink.steel);
    body(context, [[px - 0.12 * k, low + 0.05 * k], [px + 0.12 * k, low + 0.05 * k], [fx + 0.16 * k, fz], [fx, fz + 0.16 * k], [px - 0.12 * k, high]].map(at), ink);
  }
  body(context, [[-2.15, 0.86], [0.75, 0.86], [0.75, 1.25], [0.3, 1.95], [-1.9, 1.95], [-2.2, 1.6]].map(([x, z]) => aside([k * x, k * z])), ink);
  body(context, [[-2.2, 0.86], [-1.25, 0.86], [-1.25, 1.75], [-1.95, 1.75], [-2.25, 1.45]].map(([x, z]) => aside([k * x, k * z])), ink, ink.steel);
  body(context, [[-0.75, 1.2], [0.72, 1.2], [0.82, 1.75], [0.45, 2.85], [-0.75, 2.85]].map(([x, z]) => aside([k * x, k * z])), ink);
  body(context, [[-0.55, 1.65], [0.62, 1.65], [0.36, 2.65], [-0.55, 2.65]].map(([x, z]) => aside([k * x, k * z])), ink, ink.glass);
}

function drawRam(context, place, from, to, ink) {
  const middle = [from[0] + 0.55 * (to[0] - from[0]), from[1] + 0.55 * (to[1] - from[1])];
  for (const [a, b, width, colour] of [[from, to, 3, ink.ink], [from, middle, 8, ink.ink], [from, middle, 4.5, ink.paper]]) {
    path(context, [[place.x(a[0]), place.y(a[1])], [place.x(b[0]), place.y(b[1])]], false);
    context.lineWidth = width;
    context.lineCap = "butt";
    context.strokeStyle = colour;
    context.stroke();
  }
}

function inFrame(from, to, a, b) {
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  const c = (to[0] - from[0]) / length, s = (to[1] - from[1]) / length;
  return [from[0] + c * a - s * b, from[1] + s * a + c * b];
}

function drawArm(context, place, scene, view, ink) {
  const two = view.pins.length === 5, [foot, knee] = view.pins, [elbow, wrist, tip] = view.pins.slice(-3);
  const S = scene.arm.at(-2).length_m, t = scene.bucket.tip_m, pin = view.bucket_pin;
  const B = Math.hypot(elbow[0] - foot[0], elbow[1] - foot[1]), first = scene.arm[0].length_m;
  const bend = two ? inFrame(knee, elbow, 0.3 * scene.arm[1].length_m, 0.1 * B) : inFrame(foot, elbow, 0.42 * B, 0.16 * B);
  const held = two ? inFrame(foot, knee, 0.55 * first, 0.02 * B) : inFrame(foot, elbow, 0.4 * B, 0.06 * B);
  drawRam(context, place, inFrame(foot, [foot[0] + 1, foot[1]], 0.09 * B, -0.13 * B), held, ink);
  // Bucket behind the stick: shell, load, edge.
  const shell = [[0, 0.02], [0.1, 0.28], [0.3, 0.45], [0.58, 0.44], [0.82, 0.26], [1, 0], [0.93, 0.04], [0.12, -0.08]].map(([a, b]) => [a * t, b * t]);
  // A coupler stands between the stick's pin and the bucket's own.
  if (Math.hypot(pin[0] - wrist[0], pin[1] - wrist[1]) > 0.02) {
    const far = Math.hypot(pin[0] - wrist[0], pin[1] - wrist[1]), wide = 0.09 * t;
    body(context, along(place, wrist, pin, [[-wide, wide], [far + wide, wide], [far + wide, -wide], [-wide, -wide]]), ink, ink.paper);
  }
  body(context, along(place, pin, tip, shell), ink, ink.steel);
  if (view.load > 0.01) {
    const deep = 0.42 * Math.min(1, 0.35 + 0.65 * view.load), heap = -0.2 * view.load;
    const soil = [[0.12, 0.05], [0.3, deep], [0.58, deep], [0.84, 0.16], [0.95, 0.02], [0.6, heap], [0.3, heap]].map(([a, b]) => [a * t, b * t]);
    body(context, along(place, pin, tip, soil), ink, ink.soil);
  }
  const stick = [[-0.16, 0.02], [-0.1, 0.13], [0.1, 0.12], [0.9, 0.045], [1.0, 0.04], [1.03, -0.02], [0.95, -0.05], [0.1, -0.07], [-0.05, -0.06]];
  body(context, along(place, elbow, wrist, stick.map(([a, b]) => [a * S, b * S])), ink);
  if (two) {
    const [lower, upper] = [[0.11, 0.05], [0.05, 0.04]].map(([high, low]) => [[-0.03, -low], [-0.02, 0.05], [0.25, high], [0.85, high], [1.03, 0.04], [1.03, -0.04], [0.8, -low], [0.2, -low]]);
    const L = scene.arm[1].length_m;
    body(context, along(place, knee, elbow, upper.map(([x, y]) => [x * L, y * L])), ink);
    body(context, along(place, foot, knee, lower.map(([x, y]) => [x * first, y * first])), ink);
    drawRam(context, place, inFrame(foot, knee, 0.45 * first, 0.16 * first), inFrame(knee, elbow, 0.4 * L, 0.1 * L), ink);
  } else {
    const boom = [[-0.02, -0.03], [0.0, 0.045], [0.38, 0.215], [0.5, 0.2], [1.0, 0.035], [1.02, -0.02], [0.98, -0.035], [0.5, 0.1], [0.4, 0.105], [0.05, -0.035]];
    body(context, along(place, foot, elbow, boom.map(([x, y]) => [x * B, y * B])), ink);
  }
  drawRam(context, place, bend, inFrame(elbow, wrist, -0.12 * S, 0.08 * S), ink);
  const lever = inFrame(elbow, wrist, 0.86 * S, 0.22 * S);
  drawRam(context, place, inFrame(elbow, wrist, 0.08 * S, 0.12 * S), lever, ink);
  for (const end of [inFrame(elbow, wrist, 0.87 * S, 0.0), inFrame(pin, tip, 0.02 * t, 0.26 * t)]) {
    path(context, [[place.x(lever[0]), place.y(lever[1])], [place.x(end[0]), place.y(end[1])]], false);
    context.lineWidth = 4;
    context.strokeStyle = ink.ink;
    context.stroke();
  }
  for (const [reach, height] of [...view.pins.slice(0, -1), ...(pin[0] === wrist[0] && pin[1] === wrist[1] ? [] : [pin])]) {
    context.beginPath();
    context.arc(place.x(reach), place.y(height), Math.max(3, 0.07 * place.k), 0, 2 * Math.PI);
    context.fillStyle = ink.paper;
    context.fill();
    context.lineWidth = 1.6;
    context.strokeStyle = ink.ink;
    context.stroke();
  }
  context.beginPath();
  context.arc(place.x(tip[0]), place.y(tip[1]), 4.5, 0, 2 * Math.PI);
  context.fillStyle = ink.tip;
  context.fill();
}

function drawTruck(context, place, scene, view, ink) {
  const truck = scene.truck;
  if (!truck) return;
  const heading = ((view.angle.heading + view.angle.slew) * Math.PI) / 180;
  const dx = truck.x - view.place[0], dy = truck.y - view.place[1];
  const reach = dx * Math.cos(heading) + dy * Math.sin(heading), aside = -dx * Math.sin(heading) + dy * Math.cos(heading);
  if (Math.abs(aside) > Math.max(truck.half_x, truck.half_y) + 0.5 || reach < 0) return;
  const half = Math.abs(Math.cos(heading)) * truck.half_x + Math.abs(Math.sin(heading)) * truck.half_y, floor = truck.rim_m - 1.1;
  const box = [[-half, truck.rim_m], [-half + 0.15, floor], [half - 0.15, floor], [half, truck.rim_m]];
  body(context, box.map(([a, b]) => [place.x(reach + a), place.y(b)]), ink, ink.steel);
  const full = Math.min(1, view.truck_m3 / truck.capacity_m3);
  if (full > 0.02) {
    const top = floor + full * (truck.rim_m - floor);
    body(context, [[-half + 0.15, floor], [half - 0.15, floor], [half - 0.08, top], [0, top + 0.25 * full], [-half + 0.08, top]].map(([a, b]) => [place.x(reach + a), place.y(b)]), ink, ink.soil);
  }
  for (const a of [-0.6 * half, 0.6 * half]) {
    context.beginPath();
    context.arc(place.x(reach + a), place.y(0.5), 0.5 * place.k, 0, 2 * Math.PI);
    context.fillStyle = ink.paper;
    context.fill();
    context.stroke();
  }
}

/** The edge from the driver's seat, left on the left, over the ground and the task's plane; of one that tilts. */
function drawAcross(context, scene, view, { clientWidth: w, clientHeight: h }, ink, say) {
  const { across, edge: [left, right], tip } = view;
  if (!across || h < 180) return; // no room: the display shows it too
  const high = Math.min(130, 0.42 * h), wide = Math.min(1.6 * high, 0.4 * w), x0 = w - wide - 10, y0 = h - high - 10;
  context.save();
  context.fillStyle = ink.paper;
  context.strokeStyle = ink.edge;
  context.lineWidth = 1.2;
  path(context, [[x0, y0], [x0 + wide, y0], [x0 + wide, y0 + high], [x0, y0 + high]]);
  context.fill();
  context.clip();
  const k = wide / (2 * across.half_m), last = across.ground.length - 1;
  const at = (off, height) => [x0 + wide / 2 - k * off, y0 + 0.45 * high - k * (height - tip[2])];
  const ground = across.ground.map((height, i) => at(across.half_m * ((2 * i) / last - 1), height));
  path(context, [...ground, [x0, y0 + high], [x0 + wide, y0 + high]]);
  context.fillStyle = ink.soil;
  context.fill();
  if (across.plane.length) {
    path(context, [at(-across.half_m, across.plane[0]), at(across.half_m, across.plane[1])], false);
    context.setLineDash([7, 4]);
    context.lineWidth = 2;
    context.strokeStyle = ink.target;
    context.stroke();
    context.setLineDash([]);
  }
  const half = Math.hypot(left[0] - right[0], left[1] - right[1]) / 2;
  path(context, [at(half, left[2]), at(-half, right[2])], false);
  context.lineWidth = 4;
  context.strokeStyle = ink.tip;
  context.stroke();
  context.restore();
  context.strokeRect(x0, y0, wide, high);
  context.font = "11px system-ui, sans-serif";
  context.textAlign = "left";
  context.textBaseline = "top";
  context.fillStyle = ink.quiet;
  const percent = (100 * (left[2] - right[2])) / Math.max(1e-6, 2 * half);
  context.fillText(say("practice.edge", { percent: `${percent < 0 ? "−" : "+"}${say.decimal(Math.abs(percent).toFixed(1))}` }), x0 + 6, y0 + 5);
}

function drawHeights(context, place, { clientWidth: w }, ink) {
  context.font = "12px system-ui, sans-serif";
  context.textBaseline = "middle";
  context.textAlign = "left";
  context.lineWidth = 1;
  context.strokeStyle = ink.faint;
  context.fillStyle = ink.quiet;
  for (let height = -4; height <= 8; height++) {
    const y = Math.round(place.y(height)) + 0.5;
    path(context, [[0, y], [w, y]], false);
    context.stroke();
    context.fillText(`${height > 0 ? "+" : height < 0 ? "−" : "±"}${Math.abs(height)} m`, 6, y - 8);
  }
}

/** Draws the side view, and what the cylinders and the pump do in words. */
export function drawSide(canvas, scene, view, ink, say) {
  if (canvas.clientWidth < 80 || canvas.clientHeight < 80) return; // while the page is laid out
  const context = fitted(canvas), place = placeOf(canvas, scene, view);
  context.fillStyle = ink.sky;
  context.fillRect(0, 0, canvas.clientWidth, canvas.clientHeight);
  drawHeights(context, place, canvas, ink);
  drawGround(context, place, view, canvas, ink);
  drawTruck(context, place, scene, view, ink);
  drawStand(context, place, scene, view, ink);
  drawArm(context, place, scene, view, ink);
  drawAcross(context, scene, view, canvas, ink, say);
  context.font = "13px system-ui, sans-serif";
  context.textAlign = "right";
  context.textBaseline = "top";
  context.fillStyle = ink.quiet;
  const names = (drives) => drives.map((drive) => sayWord(say, drive)).join(", ");
  const words = [];
  if (view.ends.length) words.push(say("practice.cylinder-end", { names: names(view.ends) }));
  if (view.relief.length) words.push(say("practice.relief", { names: names(view.relief) }));
  if (view.flow > 1.02) words.push(say("practice.pump"));
  if (view.script) words.push(say("practice.script"));
  if (view.behind_s) words.push(say("practice.behind", { seconds: say.decimal(view.behind_s.toFixed(1)) }));
  words.forEach((word, i) => context.fillText(word, canvas.clientWidth - 10, 8 + 18 * i));
}
