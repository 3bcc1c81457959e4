// Target: a level, a grade, a pipe, a table, a depth below a laser's plane; tolerance and layers.

import { make } from "../dom.js";

const THROUGH = {
  name: "through", kind: "choice", label: "form.through",
  choices: ["reference", "here"].map((value) => ({ value, label: `form.through.${value}` })),
};
const DIRECTION = {
  name: "direction", kind: "choice", label: "form.direction",
  choices: ["falling", "rising"].map((value) => ({ value, label: `target.${value}` })),
};

/** A grade as the service reads it: percent, with the direction as seen from the machine in words. */
export function gradeText(ratio, direction) {
  return `${direction} ${+(Math.abs(ratio) * 100).toFixed(6)}%`;
}

function without(values, ...names) {
  return Object.fromEntries(Object.entries(values).filter(([name]) => !names.includes(name)));
}

function hasSlewSensor(model) {
  return Object.values(model.about?.machine?.sensor ?? {}).some((sensor) => sensor.type === "slew");
}

const clear = { send: "form.target.clear", command: "target/clear", when: (model) => Boolean(model.state?.target) };

/** What was said about the trench comes first wherever a target is entered. */
const cautions = ({ model }) => (model.state?.cautions ?? []).map((caution) =>
  make("p", { class: "caution" }, caution.text, caution.source ? make("small", {}, ` (${caution.source})`) : null));

const level = {
  id: "level",
  title: "form.level.title",
  info: cautions,
  forms: [
    {
      fields: [
        { name: "elevation_m", kind: "length", label: "form.level.elevation", optional: true },
        { name: "depth_m", kind: "length", label: "form.level.depth", optional: true },
      ],
      send: "form.level.send",
      command: "target/level",
    },
    clear,
  ],
};

const grade = {
  id: "grade",
  title: "form.grade.title",
  forms: [
    {
      note: "form.grade.note",
      fields: [
        { name: "grade", kind: "grade", label: "form.grade.grade" },
        DIRECTION,
        THROUGH,
        { name: "elevation_m", kind: "length", label: "form.grade.elevation", optional: true },
        { name: "depth_m", kind: "length", label: "form.grade.depth", optional: true },
        { name: "cross", kind: "grade", label: "form.grade.cross", optional: true, when: hasSlewSensor },
        {
          name: "cross_falls", kind: "choice", label: "form.grade.cross-falls", optional: true, when: hasSlewSensor,
          choices: ["left", "right"].map((value) => ({ value, label: `side.${value}` })),
        },
      ],
      send: "form.grade.send",
      command: "target/grade",
      body: (values) => {
        const body = { ...without(values, "direction", "cross", "cross_falls"), grade: gradeText(values.grade, values.direction) };
        if (values.cross === undefined) return body;
        return { ...body, cross: `${+(Math.abs(values.cross) * 100).toFixed(6)}%`, cross_falls: values.cross_falls };
      },
    },
  ],
};

const pipe = {
  id: "pipe",
  title: "form.pipe.title",
  forms: [
    {
      note: "form.pipe.note",
      fields: [
        { name: "invert_m", kind: "length", label: "form.pipe.invert" },
        { name: "grade", kind: "grade", label: "form.pipe.grade" },
        DIRECTION,
        { name: "wall_m", kind: "length", label: "form.pipe.wall", optional: true },
        { name: "bedding_m", kind: "length", label: "form.pipe.bedding", optional: true },
        { name: "overdig_m", kind: "length", label: "form.pipe.overdig", optional: true },
        THROUGH,
      ],
      send: "form.pipe.send",
      command: "target/pipe",
      body: (values) => ({ ...without(values, "direction"), grade: gradeText(values.grade, values.direction) }),
    },
  ],
};

const profile = {
  id: "profile",
  title: "form.profile.title",
  forms: [
    {
      note: "form.profile.note",
      fields: [{ name: "table", kind: "table", label: "form.profile.table" }, THROUGH],
      send: "form.profile.send",
      command: "target/profile",
    },
  ],
};

const plane = {
  id: "plane",
  title: "form.plane.title",
  when: (model) => Object.values(model.about?.machine?.sensor ?? {}).some((sensor) => sensor.type === "beam"),
  forms: [
    {
      note: "form.plane.note",
      fields: [
        { name: "depth_m", kind: "length", label: "form.plane.depth" },
        { name: "grade", kind: "grade", label: "form.plane.grade", optional: true },
        DIRECTION,
      ],
      send: "form.plane.send",
      command: "target/below-plane",
      body: ({ depth_m, grade: ratio, direction }) => ({ depth_m, ...(ratio === undefined ? {} : { grade: gradeText(ratio, direction) }) }),
    },
  ],
};

const band = {
  id: "band",
  title: "form.band.title",
  forms: [
    {
      note: "form.band.note",
      fields: [
        { name: "above_m", kind: "length", label: "form.band.above" },
        { name: "below_m", kind: "length", label: "form.band.below" },
      ],
      send: "form.band.send",
      command: "target/tolerance",
    },
    {
      title: "form.layer.title",
      fields: [{
        name: "name", kind: "choice", label: "form.layer.which", optional: true,
        initial: (model) => model.state?.target?.layer ?? "",
        choices: (model) => [
          { value: "", label: "form.layer.none" },
          ...model.state.target.layers.map(({ name }) => ({ value: name, text: name })),
        ],
      }],
      send: "form.layer.send",
      command: "target/layer",
      when: (model) => Boolean(model.state?.target?.layers?.length),
    },
  ],
};

export const TARGET = { id: "target", title: "tool.target", pages: [level, grade, pipe, profile, plane, band] };
