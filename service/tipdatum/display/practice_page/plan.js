// The ground from above: what was dug and dumped, the task's area, the machine.

import { fitted } from "./levers.js";

export class Plan {
  #rise = new Map();
  #picture = null;

  /** Takes squares that changed: [number, rise in mm]. */
  take(squares, scene) {
    if (!this.#picture) {
      const across = Math.round((2 * scene.ground.half_m) / scene.ground.square_m);
      this.#picture = { across, canvas: new OffscreenCanvas(across, across) };
    }
    const { across, canvas } = this.#picture, context = canvas.getContext("2d");
    for (const [number, rise] of squares) {
      this.#rise.set(number, rise);
      const i = Math.floor(number / across), j = number % across; // i ahead, j to the left
      const depth = Math.min(1, Math.abs(rise) / 900);
      context.clearRect(across - 1 - j, across - 1 - i, 1, 1);
      if (Math.abs(rise) < 8) continue;
      context.fillStyle = rise < 0 ? `rgb(74 48 18 / ${0.25 + 0.7 * depth})` : `rgb(176 141 91 / ${0.35 + 0.6 * depth})`;
      context.fillRect(across - 1 - j, across - 1 - i, 1, 1);
    }
  }

  draw(canvas, scene, view, ink, say) {
    const context = fitted(canvas), w = canvas.clientWidth, h = canvas.clientHeight;
    const arm = scene.arm.reduce((sum, { length_m }) => sum + length_m, 0) + 0.8;
    const k = Math.min(h / (1.55 * arm), w / (2.1 * arm));
    // North of the sheet is ahead of the tracks at the start; left is left.
    const cx = w / 2, cy = h - 0.5 * arm * k;
    const at = (x, y) => [cx - k * y, cy - k * x];
    context.fillStyle = ink.sky;
    context.fillRect(0, 0, w, h);
    if (this.#picture) {
      const half = scene.ground.half_m;
      context.imageSmoothingEnabled = false;
      context.drawImage(this.#picture.canvas, cx - k * half, cy - k * half, 2 * k * half, 2 * k * half);
    }
    context.lineWidth = 1;
    context.strokeStyle = ink.faint;
    for (let r = 2; r < arm + 2; r += 2) {
      context.beginPath();
      context.arc(...at(view.place[0], view.place[1]), r * k, 0, 2 * Math.PI);
      context.stroke();
    }
    const box = (x0, x1, y0, y1) => {
      context.beginPath();
      [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].forEach(([x, y], i) => (i ? context.lineTo(...at(x, y)) : context.moveTo(...at(x, y))));
      context.closePath();
    };
    if (scene.task?.width_m) {
      const { from_m: near, to_m: far, left_m: left, width_m: width } = scene.task;
      box(near, far, left - width / 2, left + width / 2);
      context.setLineDash([6, 4]);
      context.lineWidth = 1.8;
      context.strokeStyle = ink.target;
      context.stroke();
      context.setLineDash([]);
    }
    context.strokeStyle = ink.ink;
    if (scene.truck) {
      const t = scene.truck;
      box(t.x - t.half_x, t.x + t.half_x, t.y - t.half_y, t.y + t.half_y);
      context.fillStyle = ink.steel;
      context.fill();
      context.stroke();
    }
    const [x, y] = view.place, heading = (view.angle.heading * Math.PI) / 180, slew = heading + (view.angle.slew * Math.PI) / 180;
    const boom = slew + ((view.angle.swing ?? 0) * Math.PI) / 180;
    const turned = (angle, points) => points.map(([a, b]) => at(x + Math.cos(angle) * a - Math.sin(angle) * b, y + Math.sin(angle) * a + Math.cos(angle) * b));
    const shape = (points, fill) => {
      context.beginPath();
      points.forEach(([px, py], i) => (i ? context.lineTo(px, py) : context.moveTo(px, py)));
      context.closePath();
      context.fillStyle = fill;
      context.fill();
      context.lineWidth = 1.4;
      context.stroke();
    };
    const L = scene.tracks.length_m / 2 + 0.3 * scene.size, G = scene.tracks.gauge_m / 2, s = scene.size;
    for (const side of [-1, 1]) shape(turned(heading, [[-L, side * G - 0.28 * s], [L, side * G - 0.28 * s], [L, side * G + 0.28 * s], [-L, side * G + 0.28 * s]]), ink.steel);
    shape(turned(slew, [[-2.15 * s, -1.2 * s], [0.8 * s, -1.2 * s], [0.8 * s, 1.2 * s], [-2.15 * s, 1.2 * s]]), ink.paper);
    shape(turned(slew, [[-0.7 * s, 0.3 * s], [0.8 * s, 0.3 * s], [0.8 * s, 1.15 * s], [-0.7 * s, 1.15 * s]]), ink.glass);
    if (scene.swing_pivot_m) {
      const [px, py] = scene.swing_pivot_m;
      const post = turned(slew, [[0.6 * s, py - 0.3 * s], [px, py - 0.2 * s], [px, py + 0.2 * s], [0.6 * s, py + 0.3 * s]]);
      shape(post, ink.steel);
      context.lineWidth = Math.max(3, 0.24 * s * k);
      context.lineCap = "round";
      context.beginPath();
      context.moveTo(...turned(slew, [[px, py]])[0]);
      context.lineTo(...at(...view.plan[0]));
      context.stroke();
    }
    // The arm is as wide as it is, square to its own plane; the bucket reaches from its pin to its edge.
    const [foot, wrist] = [view.plan[0], view.plan.at(-2)], across = [-Math.sin(boom), Math.cos(boom)];
    const beside = ([px, py], off) => at(px + across[0] * off, py + across[1] * off);
    shape([beside(foot, -0.22 * s), beside(wrist, -0.14 * s), beside(wrist, 0.14 * s), beside(foot, 0.22 * s)], ink.paper);
    const half = 0.8 * (scene.bucket.width_m / 2);
    const [left, right] = view.edge.map((corner) => at(corner[0], corner[1]));
    shape([beside(wrist, -half), right, left, beside(wrist, half)], view.load > 0.05 ? ink.soil : ink.steel);
    context.beginPath();
    context.moveTo(...left);
    context.lineTo(...right);
    context.lineWidth = 3;
    context.strokeStyle = ink.tip;
    context.stroke();
    context.font = "12px system-ui, sans-serif";
    context.textAlign = "left";
    context.textBaseline = "top";
    context.fillStyle = ink.quiet;
    context.fillText(say("practice.plan"), 8, 6);
  }
}
