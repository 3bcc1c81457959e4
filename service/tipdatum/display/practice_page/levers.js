// Hands on two cross levers, two track pedals and a small lever for each joint more that a machine has: keyboard,
// touch and mouse, gamepad. All of them at once.
//
// Every cross lever is {x, y} in -1 … 1, x to the right, y forward; a small one is {x}. What a lever moves is the
// machine's business, but for the small ones, which are called by it.

const KEYS = { // code of the key (its place, whatever the layout prints on it) → [lever, axis, way]
  KeyW: ["left", "y", 1], KeyS: ["left", "y", -1], KeyA: ["left", "x", -1], KeyD: ["left", "x", 1],
  KeyI: ["right", "y", 1], KeyK: ["right", "y", -1], KeyJ: ["right", "x", -1], KeyL: ["right", "x", 1],
  ArrowUp: ["right", "y", 1], ArrowDown: ["right", "y", -1], ArrowLeft: ["right", "x", -1], ArrowRight: ["right", "x", 1],
  KeyQ: ["swing", "x", 1], KeyE: ["swing", "x", -1], KeyU: ["tilt", "x", -1], KeyO: ["tilt", "x", 1],
  KeyR: ["second_boom", "x", 1], KeyF: ["second_boom", "x", -1],
  KeyT: ["tracks", "x", 1], KeyG: ["tracks", "x", -1], KeyY: ["tracks", "y", 1], KeyH: ["tracks", "y", -1],
};
/** Joints that only some machines have, with the keys of their lever: its left end first. */
export const MORE = { second_boom: ["F", "R"], swing: ["Q", "E"], tilt: ["U", "O"] };
/** Which end of a small lever moves its joint the positive way: to the left, as a swing does, or to the right. */
const TO_RIGHT = { second_boom: 1, swing: -1, tilt: 1 };
const FULL_S = 0.22; // from neutral to the end of the way, of a key held down
const GENTLE = 0.22; // of the way, with Shift
const DEAD = 0.09; // of a gamepad's stick
const limit = (v) => Math.max(-1, Math.min(1, v));

export class Levers {
  #held = new Set();
  #gentle = false;
  #keys = { left: { x: 0, y: 0 }, right: { x: 0, y: 0 }, tracks: { x: 0, y: 0 }, ...Object.fromEntries(Object.keys(MORE).map((name) => [name, { x: 0, y: 0 }])) };
  #touch = { left: null, right: null };

  constructor(pads) {
    addEventListener("keydown", (event) => this.#key(event, true));
    addEventListener("keyup", (event) => this.#key(event, false));
    addEventListener("blur", () => this.#held.clear());
    document.addEventListener("visibilitychange", () => this.#held.clear());
    for (const [name, pad] of Object.entries(pads)) this.#feel(name, pad);
  }

  /** A small lever on a pad: the joint's name, and where fingers move it. */
  add(name, pad) {
    this.#feel(name, pad, TO_RIGHT[name]);
  }

  #key(event, down) {
    this.#gentle = event.shiftKey;
    if (!(event.code in KEYS) || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.target instanceof Element && event.target.matches("select, input")) return;
    event.preventDefault();
    if (down) this.#held.add(event.code);
    else this.#held.delete(event.code);
  }

  #feel(name, pad, way = 0) {
    const move = (event) => {
      const { left, top, width, height } = pad.getBoundingClientRect();
      const reach = 0.36 * (way ? width : Math.min(width, height));
      let x = (event.clientX - left - width / 2) / reach, y = -(event.clientY - top - height / 2) / reach;
      if (way) [x, y] = [limit(way * x), 0];
      const far = Math.hypot(x, y);
      if (far > 1) [x, y] = [x / far, y / far];
      this.#touch[name] = { x, y };
    };
    pad.addEventListener("pointerdown", (event) => {
      pad.setPointerCapture(event.pointerId);
      move(event);
      event.preventDefault();
    });
    pad.addEventListener("pointermove", (event) => pad.hasPointerCapture(event.pointerId) && move(event));
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) {
      pad.addEventListener(end, () => (this.#touch[name] = null));
    }
  }

  /** Where the levers stand, `seconds` after the last look: {left: [x, y], right: [x, y], tracks: [l, r], more: {joint: way}}. */
  read(seconds) {
    const most = this.#gentle ? GENTLE : 1, step = seconds / FULL_S;
    for (const [name, axes] of Object.entries(this.#keys)) {
      for (const axis of ["x", "y"]) {
        let want = 0;
        for (const code of this.#held) if (KEYS[code][0] === name && KEYS[code][1] === axis) want += KEYS[code][2];
        want = limit(want) * most;
        const gap = want - axes[axis];
        axes[axis] += Math.sign(gap) * Math.min(Math.abs(gap), step);
      }
    }
    const pad = this.#gamepad();
    const sum = (name, axis) => limit(this.#keys[name][axis] + (this.#touch[name]?.[axis] ?? 0) + (pad[name]?.[axis] ?? 0));
    const found = Object.fromEntries(["left", "right", "tracks"].map((name) => [name, [sum(name, "x"), sum(name, "y")]]));
    return { ...found, more: Object.fromEntries(Object.keys(MORE).map((name) => [name, sum(name, "x")])) };
  }

  #gamepad() {
    const found = navigator.getGamepads?.().find((pad) => pad?.connected && pad.axes.length >= 4);
    if (!found) return {};
    const stick = (i) => {
      const value = found.axes[i];
      return Math.abs(value) < DEAD ? 0 : (Math.sign(value) * (Math.abs(value) - DEAD)) / (1 - DEAD);
    };
    const button = (i) => found.buttons[i]?.value ?? 0;
    return {
      left: { x: stick(0), y: -stick(1) },
      right: { x: stick(2), y: -stick(3) },
      tracks: { x: button(6) - button(4), y: button(7) - button(5) },
      swing: { x: button(14) - button(15) },
      second_boom: { x: button(12) - button(13) },
      tilt: { x: button(1) - button(2) },
    };
  }
}

/** A lever from above in its gate, with what its ways move. */
export function drawLever(canvas, [x, y], words, ink) {
  const context = fitted(canvas), w = canvas.clientWidth, h = canvas.clientHeight, r = 0.36 * Math.min(w, h);
  context.clearRect(0, 0, w, h);
  context.save();
  context.translate(w / 2, h / 2);
  context.lineWidth = 1.5;
  context.strokeStyle = ink.edge;
  context.fillStyle = ink.raised;
  context.beginPath();
  context.arc(0, 0, r + 12, 0, 2 * Math.PI);
  context.fill();
  context.stroke();
  context.beginPath();
  context.moveTo(-r, 0); context.lineTo(r, 0); context.moveTo(0, -r); context.lineTo(0, r);
  context.strokeStyle = ink.faint;
  context.stroke();
  context.fillStyle = ink.quiet;
  context.font = "11px system-ui, sans-serif";
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.fillText(words[0], 0, -r - 3);
  context.fillText(words[1], 0, r + 3);
  for (const [i, side] of [[2, -1], [3, 1]]) {
    context.save();
    context.translate(side * (r + 3), 0);
    context.rotate(side * Math.PI / 2);
    context.fillText(words[i], 0, 0);
    context.restore();
  }
  context.strokeStyle = ink.ink;
  context.lineWidth = 5;
  context.lineCap = "round";
  context.beginPath();
  context.moveTo(0, 0); context.lineTo(x * r * 0.86, -y * r * 0.86);
  context.stroke();
  context.fillStyle = Math.hypot(x, y) > 0.05 ? ink.tip : ink.ink;
  context.beginPath();
  context.arc(x * r * 0.86, -y * r * 0.86, 13, 0, 2 * Math.PI);
  context.fill();
  context.restore();
}

/** A small lever in its gate; `words` for its left and its right end. */
export function drawSmallLever(canvas, name, value, words, ink) {
  const w = canvas.clientWidth, h = canvas.clientHeight, r = 0.36 * w, y = h - 15;
  if (w < 60 || h < 30) return; // while the page is laid out
  const context = fitted(canvas);
  context.clearRect(0, 0, w, h);
  context.lineCap = "round";
  for (const [width, colour] of [[21, ink.edge], [18, ink.raised]]) {
    context.beginPath();
    context.moveTo(w / 2 - r, y);
    context.lineTo(w / 2 + r, y);
    context.lineWidth = width;
    context.strokeStyle = colour;
    context.stroke();
  }
  context.fillStyle = ink.quiet;
  context.font = "11px system-ui, sans-serif";
  context.textBaseline = "top";
  for (const [i, align, x] of [[0, "left", 2], [1, "right", w - 2]]) {
    context.textAlign = align;
    context.fillText(words[i], x, 1);
  }
  context.beginPath();
  context.arc(w / 2 + TO_RIGHT[name] * value * r, y, 9, 0, 2 * Math.PI);
  context.fillStyle = Math.abs(value) > 0.05 ? ink.tip : ink.ink;
  context.fill();
}

/** The canvas's context, with as many pixels as the screen has there. */
export function fitted(canvas) {
  const ratio = devicePixelRatio || 1;
  const w = Math.max(1, Math.round(canvas.clientWidth * ratio)), h = Math.max(1, Math.round(canvas.clientHeight * ratio));
  if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
  const context = canvas.getContext("2d");
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  return context;
}
