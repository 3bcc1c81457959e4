// What the tip has done: the trace of its last passes, the recent deviations, and the ground as dug.
//
// Ground is what the edge has cut, not where it has been: the service tells with every tip message whether it
// cuts (`cutting`), by one rule for page, report and terminal. See docs/display.md.

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
  /** As-dug points of this page's time: `{reach, slew, name}`. */
  points = [];
  #lines = []; #line = null; #known = false; #stroke = []; #counted = 0; #system = null;

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
    this.#break();
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
    const point = { t: tip.t, reach: tip.reach_m, elevation: tip.elevation_m, deviation: tip.deviation_m };
    const before = this.trace.at(-1);
    if (!before || !this.#known || Math.hypot(point.reach - before.reach, point.elevation - before.elevation) > STEP_M) {
      this.trace.push({ ...point, after: !this.#known });
      forget(this.trace, TRACE_S, tip.t);
    }
    this.#known = true;
    this.#chooseLine(slew);
    this.#dig(point, tip.cutting ?? null);
  }

  #break() {
    this.#known = false;
    this.#endStroke();
  }

  #endStroke() {
    this.#stroke = [];
    this.#counted = 0;
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

  /** What a stroke has cut counts once it is told that it counts, from its beginning. */
  #dig(point, cutting) {
    if (cutting === null) {
      this.#endStroke();
      return;
    }
    this.#stroke.push(point);
    if (!cutting) return;
    for (let i = Math.max(1, this.#counted); i < this.#stroke.length; i += 1) this.#lower(this.#stroke[i - 1], this.#stroke[i]);
    this.#counted = this.#stroke.length;
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
