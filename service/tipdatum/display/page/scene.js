// What the drawing needs, out of the model, in metres of the axes it is drawn on.

import { fallWords, tiltWords } from "./edge.js";
import { tolerance } from "./model.js";
import { armShapes, bucketOf, standShapes } from "./shapes.js";
import { targetLine } from "./target.js";
import { UNIT_SETS, lengthText } from "./units.js";

export const FONT = '13px system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif';
const REACH_UNKNOWN = 9; // m, until the machine's description has come

/** How far the arm can reach, from the description. */
function reachMost(machine) {
  if (!machine?.boom) return REACH_UNKNOWN;
  const coupler = Math.hypot(...(machine.bucket?.[0]?.pin_m ?? [0, 0]));
  const arm = machine.boom.length_m + (machine.second_boom?.length_m ?? 0) + machine.stick.length_m;
  return machine.boom.foot_m[0] + arm + coupler + (machine.bucket?.[0]?.tip_m ?? 0);
}

const SIDES = { ceiling: ["elevation", 1], floor: ["elevation", -1], "far reach": ["reach", -1], "near reach": ["reach", 1] };

/** Limits that can be drawn: `inward` is +1 where what is in bounds lies below or to the right of the line. */
function limitLines(limits, say) {
  return limits.filter(({ kind }) => kind in SIDES).map(({ kind, value, note }) => {
    const [axis, inward] = SIDES[kind];
    return { axis, inward, value, name: [say(`limit.${kind}`), note].filter(Boolean).join(", ") };
  });
}

/** The edge across the boom and the target under it, in elevations; null when it is not known. */
function acrossBoom({ tip, arm }, base, { say, units }) {
  if (!arm?.corners) return null;
  const off = { left: tip?.left_deviation_m, right: tip?.right_deviation_m };
  const size = (metres) => lengthText(metres, "short", units, { comma: say.comma, sign: true });
  return {
    corners: arm.corners.map(({ name, lateral_m, height_m }) => ({
      lateral: lateral_m,
      elevation: height_m + base,
      governs: tip?.governing === name,
      text: typeof off[name] === "number" ? `${say(`side.${name}`)} ${size(off[name])}` : say(`side.${name}`),
    })),
    target: (arm.target_across ?? []).map(({ lateral_m, elevation_m }) => ({ lateral: lateral_m, elevation: elevation_m })),
    edgeWords: typeof arm.edge_fall_percent === "number" ? say("edge.edge", { fall: fallWords(arm.edge_fall_percent, say) }) : say("edge.upright"),
    targetWords: typeof arm.target_fall_percent === "number" ? say("edge.target", { fall: fallWords(arm.target_fall_percent, say) }) : "",
    tiltWords: tiltWords(arm, say),
  };
}

/** Everything the section draws at `now`. */
export function scene({ model, record, say, units, inks }, now, targetText) {
  const { tip, arm, state, about } = model;
  const figure = model.figure(now);
  const silent = model.silence(now) !== null;
  const machine = about?.machine;
  const offset = arm?.height_to_elevation_m ?? null;
  // Without a reference the same drawing stands on heights above the tracks.
  const base = offset ?? 0;
  const current = !silent && arm?.points && tip && Math.abs(arm.t - tip.t) < 0.4;
  const pins = current ? arm.points.map((p) => ({ reach: p.reach_m, elevation: p.height_m + base })) : null;
  const live = figure.kind !== "none" || (current && figure.why?.key.startsWith("datum."));
  const last = pins?.at(-1);
  const point = live && tip.elevation_m !== null && tip.reach_m !== null
    ? { reach: tip.reach_m, elevation: tip.elevation_m }
    : last ?? null;
  // Pins and tip come in two messages, a few hundredths of a second apart: the arm ends where the tip is.
  if (last && point && Math.hypot(last.reach - point.reach, last.elevation - point.elevation) < 0.3) {
    const [dx, dy] = [point.reach - last.reach, point.elevation - last.elevation];
    for (const [i, pin] of pins.entries()) {
      pin.reach += (dx * i) / (pins.length - 1);
      pin.elevation += (dy * i) / (pins.length - 1);
    }
  }
  const unit = UNIT_SETS[units].long === "m" ? "m" : "ft";
  const beside = state?.trench?.ground_m ?? null;
  const depth = beside !== null && point ? beside - point.elevation : null;
  return {
    live,
    arm: pins,
    across: current ? acrossBoom(model, base, { say, units }) : null,
    swing: current ? arm.swing_deg ?? null : null,
    corners: current ? arm.corners ?? null : null,
    foot: machine?.boom?.foot_m ?? null,
    pivot: machine?.boom_swing?.pivot_m ?? null,
    shapes: armShapes(machine, state?.bucket, pins, current ? arm.bucket_deg : null),
    stand: standShapes(machine, base),
    edge: bucketOf(machine, state?.bucket)?.width_m ?? null,
    floor: live && typeof tip?.floor_deg === "number" ? tip.floor_deg : null,
    beside,
    depth: depth !== null && depth > 0.05 ? depth : null,
    lines: record.lines,
    points: record.points,
    slew: current ? arm.slew_deg : null,
    tip: point,
    sigma: tip?.sigma_m ?? 0,
    deviation: figure.kind === "deviation" ? figure.value : null,
    offset,
    reachMost: reachMost(machine),
    ground: record.ground,
    trace: record.trace,
    band: tolerance(state),
    targetLine: targetLine(state?.target, current ? arm : null),
    limits: offset === null ? [] : limitLines(state?.limits ?? [], say),
    inks,
    units,
    comma: say.comma,
    font: FONT,
    words: {
      elevation: say(offset === null ? "axis.height" : "axis.elevation", { unit }),
      reach: say("axis.reach", { unit }),
      slewAxis: say("axis.slew"),
      target: targetText,
      ground: say("section.ground"),
      beside: say("section.beside"),
      depth: depth === null ? "" : say("section.depth", { depth: lengthText(depth, "long", units, { step: 0.01, comma: say.comma }) }),
      floor: live && typeof tip?.floor_deg === "number"
        ? say("section.floor", { angle: `${tip.floor_deg > 0 ? "+" : tip.floor_deg < 0 ? "−" : ""}${Math.abs(tip.floor_deg).toFixed(0)}°` }) : "",
      plan: say("plan.name"),
      edge: say("edge.name"),
      noSlew: say("plan.no-slew"),
    },
  };
}
