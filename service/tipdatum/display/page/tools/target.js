// Target: a level, a grade, a pipe, a table, a depth below a laser's plane; tolerance and layers.

import { lengthText } from "../units.js";
import { DIRECTION, contradiction, gradeText } from "./grades.js";
import { hasReceiver } from "./reference.js";

const THROUGH = {
  name: "through", kind: "choice", label: "form.through", initial: () => "reference",
  choices: ["reference", "here"].map((value) => ({ value, label: `form.through.${value}` })),
};
export const TOLERANCES = [0.01, 0.02, 0.03, 0.05];

/** A depth goes down: a negative one would lie above the mark. */
export function depthAsked(values, model, { say, units }) {
  const depth = values.depth_m;
  if (depth === undefined || depth >= 0) return null;
  const size = lengthText(-depth, "long", units, { comma: say.comma });
  return {
    text: say("ask.depth", { size }),
    answers: [{ label: say("ask.depth.below", { size }), values: { ...values, depth_m: -depth } }],
  };
}

const asksBoth = (values, model, context) => contradiction(values, model, context) ?? depthAsked(values, model, context);

/** Exactly one of two fields: neither and both are asked about before anything travels. */
function oneOf(values, say, ...names) {
  const given = names.filter((name) => values[name] !== undefined);
  return given.length === 1 ? null : { text: say(given.length ? "ask.one-of" : "ask.none-of"), answers: [] };
}

function without(values, ...names) {
  return Object.fromEntries(Object.entries(values).filter(([name]) => !names.includes(name)));
}

function hasSlewSensor(model) {
  return Object.values(model.about?.machine?.sensor ?? {}).some((sensor) => sensor.type === "slew");
}

/** What was said about the trench comes first wherever a target is entered. */
export const cautions = ({ model }) => model.state?.cautions ?? [];

/** The last targets of this screen, to be used again by one touch. */
const chips = ({ recent }) => recent?.() ?? [];

const level = {
  id: "level",
  title: "form.level.title",
  cautions, chips,
  fields: [
    { name: "elevation_m", kind: "length", label: "form.level.elevation", optional: true },
    { name: "depth_m", kind: "length", label: "form.level.depth", optional: true },
  ],
  actions: [{
    label: "form.level.send", command: "target/level",
    asks: (values, model, context) => oneOf(values, context.say, "elevation_m", "depth_m") ?? depthAsked(values, model, context),
  }],
};

const grade = {
  id: "grade",
  title: "form.grade.title",
  note: "form.grade.note",
  fields: [
    { name: "grade", kind: "grade", label: "form.grade.grade", suggest: () => ["0.5 %", "1 %", "2 %"] },
    DIRECTION,
    THROUGH,
    { name: "elevation_m", kind: "length", label: "form.grade.elevation", optional: true },
    { name: "depth_m", kind: "length", label: "form.grade.depth", optional: true },
    { name: "cross", kind: "grade", label: "form.grade.cross", optional: true, when: hasSlewSensor },
    {
      name: "cross_falls", kind: "choice", label: "form.grade.cross-falls", when: hasSlewSensor,
      shown: ({ cross }) => cross !== undefined,
      choices: ["left", "right"].map((value) => ({ value, label: `side.${value}` })),
    },
  ],
  actions: [{
    label: "form.grade.send", command: "target/grade", asks: asksBoth,
    body: (values) => {
      const body = { ...without(values, "direction", "cross", "cross_falls"), grade: gradeText(values.grade, values.direction) };
      if (values.cross === undefined) return body;
      return { ...body, cross: `${+(Math.abs(values.cross) * 100).toFixed(6)}%`, cross_falls: values.cross_falls };
    },
  }],
};

const BY = {
  name: "by", kind: "choice", label: "form.pipe.by", initial: () => "grade",
  choices: ["grade", "ends"].map((value) => ({ value, label: `form.pipe.by.${value}` })),
};
const byGrade = ({ by }) => by !== "ends";
const byEnds = ({ by }) => by === "ends";

const pipe = {
  id: "pipe",
  title: "form.pipe.title",
  note: "form.pipe.note",
  fields: [
    { name: "invert_m", kind: "length", label: "form.pipe.invert" },
    BY,
    { name: "grade", kind: "grade", label: "form.pipe.grade", shown: byGrade },
    { ...DIRECTION, shown: byGrade },
    { name: "end_invert_m", kind: "length", label: "form.pipe.end-invert", shown: byEnds },
    { name: "length_m", kind: "length", label: "form.pipe.length", shown: byEnds },
    { name: "wall_m", kind: "length", label: "form.pipe.wall", optional: true },
    { name: "bedding_m", kind: "length", label: "form.pipe.bedding", optional: true },
    { name: "overdig_m", kind: "length", label: "form.pipe.overdig", optional: true },
    THROUGH,
  ],
  actions: [{
    label: "form.pipe.send", command: "target/pipe", asks: contradiction,
    body: (values) => ({
      ...without(values, "direction", "by", "grade"),
      ...(values.by === "ends" ? {} : { grade: gradeText(values.grade, values.direction) }),
    }),
  }],
};

const RUNS = {
  name: "runs", kind: "choice", label: "form.ditch.runs", initial: () => "along",
  choices: ["along", "across"].map((value) => ({ value, label: `form.ditch.runs.${value}` })),
};
const SIDES = {
  name: "sides", kind: "choice", label: "form.ditch.sides", initial: () => "alike",
  choices: ["alike", "apart"].map((value) => ({ value, label: `form.ditch.sides.${value}` })),
};
const alike = ({ sides }) => sides !== "apart";
const apart = ({ sides }) => sides === "apart";
const BATTERS = () => ["1V:1H", "1V:1.5H", "1V:2H"];
/** A side's slope as the service reads it: what was typed is a ratio by now. */
const steep = (ratio) => `${+(Math.abs(ratio) * 100).toFixed(6)}%`;

const ditch = {
  id: "ditch",
  title: "form.ditch.title",
  note: "form.ditch.note",
  cautions, chips,
  fields: [
    { name: "bottom_m", kind: "length", label: "form.ditch.bottom" },
    SIDES,
    { name: "batter", kind: "grade", label: "form.ditch.batter", shown: alike, suggest: BATTERS },
    { name: "batter_left", kind: "grade", label: "form.ditch.left", shown: apart, suggest: BATTERS },
    { name: "batter_right", kind: "grade", label: "form.ditch.right", shown: apart, suggest: BATTERS },
    { name: "depth_m", kind: "length", label: "form.ditch.depth", optional: true },
    { name: "elevation_m", kind: "length", label: "form.ditch.elevation", optional: true },
    { name: "grade", kind: "grade", label: "form.ditch.grade", optional: true },
    { ...DIRECTION, shown: ({ grade: ratio }) => ratio !== undefined },
    RUNS,
    THROUGH,
  ],
  actions: [{
    label: "form.ditch.send", command: "target/ditch",
    asks: (values, model, context) => oneOf(values, context.say, "elevation_m", "depth_m") ?? asksBoth(values, model, context),
    body: (values) => {
      const body = without(values, "direction", "sides", "batter", "batter_left", "batter_right", "grade");
      if (values.grade !== undefined) body.grade = gradeText(values.grade, values.direction);
      for (const name of values.sides === "apart" ? ["batter_left", "batter_right"] : ["batter"]) body[name] = steep(values[name]);
      return body;
    },
  }],
};

const profile = {
  id: "profile",
  title: "form.profile.title",
  note: "form.profile.note",
  fields: [{ name: "points", kind: "table", label: "form.profile.table" }, THROUGH],
  actions: [{ label: "form.profile.send", command: "target/profile" }],
};

const plane = {
  id: "plane",
  title: "form.plane.title",
  note: "form.plane.note",
  when: hasReceiver,
  fields: [
    { name: "depth_m", kind: "length", label: "form.plane.depth" },
    { name: "grade", kind: "grade", label: "form.plane.grade", optional: true },
    { ...DIRECTION, shown: ({ grade: ratio }) => ratio !== undefined },
  ],
  actions: [{
    label: "form.plane.send", command: "target/below-plane", asks: asksBoth,
    body: ({ depth_m, grade: ratio, direction }) => ({ depth_m, ...(ratio === undefined ? {} : { grade: gradeText(ratio, direction) }) }),
  }],
};

/** Bands that are the same above and below, by one touch. */
export function toleranceChips({ say, units }) {
  return TOLERANCES.map((size) => ({
    text: `± ${lengthText(size, "short", units, { comma: say.comma })}`, command: "target/tolerance", body: { above_m: size, below_m: size },
  }));
}

const band = {
  id: "band",
  title: "form.band.title",
  note: "form.band.note",
  chips: toleranceChips,
  fields: [
    { name: "above_m", kind: "length", label: "form.band.above" },
    { name: "below_m", kind: "length", label: "form.band.below" },
  ],
  actions: [{ label: "form.band.send", command: "target/tolerance" }],
};

const layers = {
  id: "layers",
  title: "form.layer.title",
  note: "form.layer.note",
  when: (model) => Boolean(model.state?.target),
  chips: ({ model, say }) => (model.state?.target?.layers?.length ? [
    { text: say("form.layer.none"), command: "target/layer", body: {} },
    ...model.state.target.layers.map(({ name }) => ({ text: name, command: "target/layer", body: { name } })),
  ] : []),
  fields: [
    { name: "name", kind: "name", label: "form.layer.name", suggest: () => ["BED", "SUB", "BASE"] },
    { name: "up_m", kind: "length", label: "form.layer.up" },
  ],
  actions: [{
    label: "form.layer.add", command: "target/layers",
    body: ({ name, up_m }, model) => {
      const others = (model.state?.target?.layers ?? []).filter((one) => one.name !== name).map(({ name: other, up_m: up }) => ({ name: other, up_m: up }));
      return { layers: [...others, { name, up_m }] };
    },
  }],
};

export const TARGET = {
  id: "target", title: "tool.target", pages: [level, grade, ditch, pipe, profile, plane, band, layers],
  actions: [{ label: "form.target.clear", command: "target/clear", plain: true, when: (model) => Boolean(model.state?.target) }],
};
