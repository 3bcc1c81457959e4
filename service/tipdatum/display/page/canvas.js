// What both drawings share: a canvas in step with the screen, and the inks of the present light.

const INKS = ["paper", "ink", "faint", "quiet", "ground", "target", "tip"];

/** Reads the drawing's colours from the style sheet, so that sun and night are defined in one place. */
export function readInks() {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(INKS.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

/** Fits the canvas to its box; returns its 2D context scaled to CSS pixels, and the size in them. */
export function fit(canvas) {
  const ratio = Math.min(2, window.devicePixelRatio || 1);
  const width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const context = canvas.getContext("2d");
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  return { context, width, height };
}

const tiles = new Map();

/** A pattern of slanting strokes: `gap` pixels apart, `slant` +1 rising or -1 falling to the right. */
export function hatch(context, colour, gap, slant = 1, weight = 1) {
  const key = `${colour} ${gap} ${slant} ${weight}`;
  if (!tiles.has(key)) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = gap;
    const pen = tile.getContext("2d");
    pen.strokeStyle = colour;
    pen.lineWidth = weight;
    pen.beginPath();
    for (const shift of [-gap, 0, gap]) {
      pen.moveTo(shift - 1, slant > 0 ? gap + 1 : -1);
      pen.lineTo(shift + gap + 1, slant > 0 ? -1 : gap + 1);
    }
    pen.stroke();
    tiles.set(key, tile);
  }
  return context.createPattern(tiles.get(key), "repeat");
}

/** Adds a polyline to the current path. */
export function trail(context, points) {
  points.forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
}

/** Text with a margin of paper around it, so that lines may run behind. */
export function label(context, text, x, y, { colour, paper, align = "left", baseline = "middle" }) {
  context.textAlign = align;
  context.textBaseline = baseline;
  context.lineJoin = "round";
  context.lineWidth = 4;
  context.strokeStyle = paper;
  context.strokeText(text, x, y);
  context.fillStyle = colour;
  context.fillText(text, x, y);
}
