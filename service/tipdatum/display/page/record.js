// What the tip has done: the trace of its last passes, the recent deviations, and the ground as dug.

const TRACE_S = 60;
/** The trace has a point every so many metres: finer nobody sees. */
const STEP_M = 0.02;
const TREND_S = 15;
/** Ground is kept by reach in bins of this width, in metres. */
const BIN_M = 0.05;
/** A dig is seen along one line of the boom; beyond this much slew, in degrees, it is another line. */
const LINE_DEG = 7;

/** Drops samples older than `seconds` from the front of a list in order of `t`. */
function forget(samples, seconds, t) {
  let n = 0;
  while (n < samples.length && samples[n].t < t - seconds) n += 1;
  if (n) samples.splice(0, n);
}

export class Record {
  /** `{t, reach, elevation, after}`, oldest first; `after` a gap the line is not drawn through. */
  trace = [];
  /** `{t, deviation, sigma}` with null deviations where there was none. */
  trend = [];
  #lines = []; #line = null; #last = null; #system = null;

  /** The lowest the tip has been along the present line of the boom: `[[reach, elevation], …]` by reach. */
  get ground() {
    if (!this.#line) return [];
    return [...this.#line.bins].sort(([a], [b]) => a - b).map(([bin, elevation]) => [bin * BIN_M, elevation]);
  }

  /** A new reference, or a machine that has moved, makes what was recorded before another section. */
  startAnew(system) {
    if (system === this.#system) return false;
    this.#system = system;
    this.#lines = [];
    this.#line = this.#last = null;
    this.trace = [];
    this.trend = [];
    return true;
  }

  /** Takes a tip message; `slew` in degrees, or null where it is not known. */
  take(tip, slew) {
    const known = tip.elevation_m !== null && tip.reach_m !== null;
    if (this.trend.length && tip.t < this.trend.at(-1).t) { // a session that was started anew
      this.trace = [];
      this.trend = [];
      this.#last = null;
    }
    this.trend.push({ t: tip.t, deviation: tip.deviation_m, sigma: tip.sigma_m });
    forget(this.trend, TREND_S, tip.t);
    if (!known) {
      this.#last = null;
      return;
    }
    const point = { t: tip.t, reach: tip.reach_m, elevation: tip.elevation_m };
    const before = this.trace.at(-1);
    if (!before || !this.#last || Math.hypot(point.reach - before.reach, point.elevation - before.elevation) > STEP_M) {
      this.trace.push({ ...point, after: !this.#last });
      forget(this.trace, TRACE_S, tip.t);
    }
    this.#chooseLine(slew ?? 0);
    this.#dig(point);
  }

  #chooseLine(slew) {
    if (this.#line && Math.abs(this.#line.slew - slew) <= LINE_DEG) return;
    this.#last = null;
    this.#line = this.#lines.find((line) => Math.abs(line.slew - slew) <= LINE_DEG / 2) ?? null;
    if (this.#line) return;
    this.#line = { slew, bins: new Map() };
    this.#lines = [...this.#lines.slice(-11), this.#line];
  }

  /**
   * Whether the tip cuts: drawn in towards the machine without being lifted, or let down. On its way out,
   * up or round it passes through air, and air is no ground.
   */
  #cuts(from, to) {
    const out = to.reach - from.reach, up = to.elevation - from.elevation;
    return out < 0 ? up < -0.5 * out : up < -out;
  }

  /** Lowers every bin between the last point and this one, so that a quick pass leaves no gaps. */
  #dig(point) {
    const from = this.#last ?? point;
    this.#last = point;
    if (!this.#cuts(from, point)) return;
    const first = Math.round(from.reach / BIN_M), last = Math.round(point.reach / BIN_M);
    const step = Math.sign(last - first) || 1;
    for (let bin = first; ; bin += step) {
      const share = last === first ? 1 : (bin - first) / (last - first);
      const elevation = from.elevation + share * (point.elevation - from.elevation);
      const { bins } = this.#line;
      bins.set(bin, Math.min(bins.get(bin) ?? Infinity, elevation));
      if (bin === last) break;
    }
  }
}

export { TRACE_S, TREND_S };
