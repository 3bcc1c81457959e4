// The published elevation with its sigma as bands, and the truth as a mark that can be faded in: what sigma means.

import { fitted } from "./levers.js";

const HISTORY = 160;
export const SLOW_MPS = 0.05;

export class SigmaStrip {
  #errors = [];

  /**
   * Takes one pair of figures, m, or null where the service gives none. Figure and truth come by two ways and are
   * some hundredths of a second apart: only a tip that moves slower than `SLOW_MPS` is compared.
   */
  take(published, sigma, truth, speed) {
    const error = speed < SLOW_MPS ? published - truth : null;
    this.#errors.push(published === null ? null : { error, sigma });
    if (this.#errors.length > HISTORY) this.#errors.shift();
  }

  /** Share of the figures heard so far within 1, 2, 3 sigma of the truth. */
  get shares() {
    const known = this.#errors.filter((one) => one && one.error !== null);
    return [1, 2, 3].map((n) => (known.length ? known.filter(({ error, sigma }) => Math.abs(error) <= n * sigma).length / known.length : null));
  }

  draw(canvas, shown, ink, say) {
    const context = fitted(canvas), w = canvas.clientWidth, h = canvas.clientHeight, middle = h / 2;
    context.fillStyle = ink.sky;
    context.fillRect(0, 0, w, h);
    const known = this.#errors.filter(Boolean);
    // A moment without a good figure does not make the others too small to see.
    const sizes = known.map(({ error, sigma }) => Math.max(3 * sigma, shown && error !== null ? Math.abs(error) : 0)).sort((a, b) => a - b);
    const most = Math.max(0.012, 1.1 * (sizes[Math.floor(0.6 * sizes.length)] ?? 0));
    const y = (metres) => middle - (metres / most) * (middle - 3), step = w / HISTORY;
    // Bands lie around the published figure, which is the middle line; the truth is where it is.
    context.save();
    context.beginPath();
    context.rect(0, 0, w, h);
    context.clip();
    for (const [n, tone] of [[3, 0.1], [2, 0.17], [1, 0.26]]) {
      context.fillStyle = `rgb(0 80 140 / ${tone})`;
      this.#errors.forEach((one, i) => one && context.fillRect(i * step, y(n * one.sigma), step + 0.5, y(-n * one.sigma) - y(n * one.sigma)));
    }
    context.strokeStyle = ink.target;
    context.lineWidth = 1.6;
    this.#stroke(context, Boolean, (one, i) => [i * step, middle]);
    if (shown > 0) {
      context.globalAlpha = shown;
      context.strokeStyle = ink.tip;
      context.lineWidth = 2.2;
      this.#stroke(context, (one) => one && one.error !== null, (one, i) => [i * step, y(-one.error)]);
      context.globalAlpha = 1;
    }
    context.restore();
    context.font = "11px system-ui, sans-serif";
    context.fillStyle = ink.quiet;
    context.textBaseline = "bottom";
    context.fillText(say("practice.sigma-scale", { size: Math.round(1000 * most) }), 4, h - 2);
  }

  #stroke(context, known, point) {
    context.beginPath();
    let down = false;
    this.#errors.forEach((one, i) => {
      if (!known(one)) { down = false; return; }
      const [x, y] = point(one, i);
      if (down) context.lineTo(x, y);
      else context.moveTo(x, y);
      down = true;
    });
    context.stroke();
  }
}
