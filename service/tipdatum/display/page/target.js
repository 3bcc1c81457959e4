// The target of the state as a line to draw, and in words.

import { lengthText, percentText } from "./units.js";

/**
 * The target as `(left, right) => [[reach, elevation], …]` over a stretch of reach, or null where it cannot
 * be drawn: a sloped one stands still only where the station is known.
 */
export function targetLine(target, tip, arm) {
  if (!target) return null;
  if (target.line) return () => target.line.map(({ reach_m, elevation_m }) => [reach_m, elevation_m]);
  if (target.kind === "level" && typeof target.elevation_m === "number") {
    return (left, right) => [[left, target.elevation_m], [right, target.elevation_m]];
  }
  if (arm?.target_ahead) return () => arm.target_ahead.map(({ reach_m, elevation_m }) => [reach_m, elevation_m]);
  if (tip && tip.deviation_m !== null && tip.reach_m !== null) {
    const here = tip.elevation_m - tip.deviation_m;
    const grade = typeof target.grade === "number" ? target.grade : 0;
    const stretch = typeof target.grade === "number" ? Infinity : 0.4; // without a slope, only what is under the tip
    const at = (reach) => [reach, here + grade * (reach - tip.reach_m)];
    return (left, right) => [at(Math.max(left, tip.reach_m - stretch)), at(Math.min(right, tip.reach_m + stretch))];
  }
  return null;
}

/** The target in a few words. */
export function targetWords(target, say, units) {
  if (!target) return "";
  if (target.text) return target.text;
  if (typeof target.grade === "number") {
    const way = say(target.grade < 0 ? "target.falling" : "target.rising");
    return say("target.grade", { grade: percentText(Math.abs(target.grade), say.comma), way });
  }
  if (typeof target.elevation_m === "number") {
    return say("target.level", { elevation: lengthText(target.elevation_m, "long", units, { comma: say.comma }) });
  }
  return say("target.other", { kind: target.kind ?? "" });
}
