// The target of the state as a line to draw, and in words.

import { lengthText, percentText } from "./units.js";

/** How far the chosen layer lies above the target, metres. */
function raised(target) {
  return target.layers?.find(({ name }) => name === target.layer)?.up_m ?? 0;
}

/**
 * The target as `(left, right) => [[reach, elevation], …]` over a stretch of reach, or null where it cannot
 * be drawn: the line of a sloped one comes from the service, which knows the station.
 */
export function targetLine(target, arm) {
  if (!target) return null;
  if (target.kind === "level") {
    const elevation = target.elevation_m + raised(target);
    return (left, right) => [[left, elevation], [right, elevation]];
  }
  if (arm?.target_ahead?.length) return () => arm.target_ahead.map(({ reach_m, elevation_m }) => [reach_m, elevation_m]);
  return null;
}

/** The target in a few words. */
export function targetWords(target, say, units) {
  if (!target) return "";
  const words = [kindWords(target, say, units)];
  if (target.layer) words.push(say("target.layer", { layer: target.layer }));
  return words.join(", ");
}

function kindWords(target, say, units) {
  const long = (metres) => lengthText(metres, "long", units, { comma: say.comma });
  if (target.kind === "level") return say("target.level", { elevation: long(target.elevation_m) });
  if (target.kind === "below plane") return say("target.below-plane", { depth: long(target.depth_m) });
  if (target.pipe) return say("target.pipe");
  if (target.kind === "ditch") return say("target.ditch", { width: long(target.bottom_m), elevation: long(target.elevation_m) });
  if (target.kind === "profile") return say("target.profile");
  if (typeof target.grade !== "number") return target.kind;
  const way = say(target.grade < 0 ? "target.falling" : "target.rising");
  const along = say("target.grade", { grade: percentText(Math.abs(target.grade), say.comma), way });
  if (!target.cross) return along;
  const side = target.cross < 0 ? "left" : "right";
  return say(`target.falls-${side}`, { target: along, cross: percentText(Math.abs(target.cross), say.comma) });
}
