// What the tip has done: the trace of its last passes, the recent deviations, and the ground as dug.
//
// Ground is what the edge has cut, not where it has been. No sensor feels it, so cutting is told from carrying by
// how the edge moves: drawn towards the machine, no steeper down than letting down and no steeper up than lifting;
// the bucket hanging, the boom standing; and all that for the length of a stroke. See docs/display.md.

import { governing } from "./model.js";

const TRACE_S = 60;
/** The trace has a point every so many metres: finer nobody sees. */
const STEP_M = 0.02;
const TREND_S = 15;
/** Ground is kept by reach in bins of this width, in metres. */
export const BIN_M = 0.05;
/** A dig is seen along one line of the boom; beyond this much slew, in degrees, it is another line. */
const LINE_DEG = 7;
const LINES = 24;
/** Evidence of cutting; the report tells ground by the same figures. */
const DRAWN_MPS = 0.03, STEEPEST_DOWN = 1.0, STEEPEST_UP = 1.7, HANGS = 0.33, SLEW_DPS = 4, STROKE_M = 0.3;
/** Span over which the way of the edge is taken, and the longest hole in it, in seconds. */
const OVER_S = 0.1, HOLE_S = 0.4;

/** Drops samples older than `seconds` from the front of a list in order of `t`. */
function forget(samples, seconds, t) {
  let n = 0;
  while (n < samples.length && samples[n].t < t - seconds) n += 1;
  if (n) samples.splice(0, n);
}

/** How far the tip lies below its pin, in parts of their distance; 1 where the arm is not known. */
function hang(pins) {
  if (!pins || pins.length < 2) return 1;
  const [pin, tip] = pins.slice(-2);
  const length = Math.hypot(tip.reach_m - pin.reach_m, tip.height_m - pin.height_m);
  return length > 0 ? (pin.height_m - tip.height_m) / length : 1;
}

export class Record {
  /** `{t, reach, elevation, after}`, oldest first; `after` a gap the line is not drawn through. */
  trace = [];
  /** `{t, deviation, sigma}` with null deviations where there was none. */
  trend = [];
  /** As-dug points of this page's time: `{reach, slew, name}`. */
  points = [];
  #lines = []; #line = null; #way = []; #stroke = []; #system = null;

  /** The ground along the present line of the boom: `[[reach, elevation], …]` by reach. */
  get ground() {
    return this.#line ? this.#sorted(this.#line) : [];
  }

  /** Every line: `{slew, ground: [[reach, elevation, deviation], …]}`; slew in degrees, or null. */
  get lines() {
    return this.#lines.map((line) => ({ slew: line.slew, ground: this.#sorted(line) }));
  }

  #sorted({ bins }) {
    return [...bins].sort(([a], [b]) => a - b).map(([bin, { elevation, deviation }]) => [bin * BIN_M, elevation, deviation]);
  }

  /** A new reference, or a machine that has moved, makes what was recorded before another section. */
  startAnew(system) {
    if (system === this.#system) return false;
    this.#system = system;
    this.#lines = [];
    this.#line = null;
    this.#way = [];
    this.#stroke = [];
    this.trace = [];
    this.trend = [];
    this.points = [];
    return true;
  }

  /** Takes a tip message; `arm` is the last arm message, or null where none is current. */
  take(tip, arm = null) {
    const known = tip.elevation_m !== null && tip.reach_m !== null;
    if (this.trend.length && tip.t < this.trend.at(-1).t) { // a session that was started anew
      this.trace = [];
      this.trend = [];
      this.#break();
    }
    const deviation = tip.deviation_m === null ? null : governing(tip).value;
    this.trend.push({ t: tip.t, deviation, sigma: tip.sigma_m });
    forget(this.trend, TREND_S, tip.t);
    if (!known) {
      this.#break();
      return;
    }
    const slew = arm?.slew_deg ?? null;
    const point = { t: tip.t, reach: tip.reach_m, elevation: tip.elevation_m, deviation: tip.deviation_m, slew: slew ?? 0, hang: hang(arm?.points) };
    const before = this.trace.at(-1);
    if (!before || !this.#way.length || Math.hypot(point.reach - before.reach, point.elevation - before.elevation) > STEP_M) {
      this.trace.push({ ...point, after: !this.#way.length });
      forget(this.trace, TRACE_S, tip.t);
    }
    this.#chooseLine(slew);
    this.#dig(point);
  }

  #break() {
    this.#way = [];
    this.#endStroke();
  }

  #endStroke() {
    this.#stroke = [];
  }

  #chooseLine(slew) {
    const near = (line, most) => Math.abs((line.slew ?? 0) - (slew ?? 0)) <= most;
    if (this.#line && near(this.#line, LINE_DEG)) return;
    this.#endStroke();
    this.#line = this.#lines.find((line) => near(line, LINE_DEG / 2)) ?? null;
    if (this.#line) return;
    this.#line = { slew, bins: new Map() };
    this.#lines = [...this.#lines.filter(({ bins }) => bins.size).slice(1 - LINES), this.#line];
  }

  #cuts(from, to) {
    const dt = to.t - from.t, drawn = from.reach - to.reach, up = to.elevation - from.elevation;
    return drawn > DRAWN_MPS * dt && up <= STEEPEST_UP * drawn && -up <= STEEPEST_DOWN * drawn
      && to.hang >= HANGS && Math.abs(to.slew - from.slew) <= SLEW_DPS * dt;
  }

  /** What a stroke has cut counts once it is long enough, from its beginning. */
  #dig(point) {
    forget(this.#way, 2 * OVER_S, point.t);
    const from = this.#way.findLast(({ t }) => t <= point.t - OVER_S + 1e-6);
    this.#way.push(point);
    if (!from || point.t - from.t > HOLE_S) return;
    if (!this.#cuts(from, point)) {
      this.#endStroke();
      return;
    }
    this.#stroke.push(point);
    if (this.#stroke[0].reach - point.reach < STROKE_M) return;
    // The first time the whole stroke so far, afterwards only its newest piece.
    for (let i = this.#stroke.counted ?? 1; i < this.#stroke.length; i += 1) this.#lower(this.#stroke[i - 1], this.#stroke[i]);
    this.#stroke.counted = this.#stroke.length;
  }

  /** Lowers every bin between two points, so that a quick pass leaves no gaps. */
  #lower(from, to) {
    const first = Math.round(from.reach / BIN_M), last = Math.round(to.reach / BIN_M);
    const step = Math.sign(last - first) || 1;
    for (let bin = first; ; bin += step) {
      const share = last === first ? 1 : (bin - first) / (last - first);
      const elevation = from.elevation + share * (to.elevation - from.elevation);
      const { bins } = this.#line;
      if (elevation < (bins.get(bin)?.elevation ?? Infinity)) bins.set(bin, { elevation, deviation: to.deviation });
      if (bin === last) break;
    }
  }
}

export { TRACE_S, TREND_S };
