// Reference: a touch on a mark, marks to come back to after a move, the laser, the station.

import { make } from "../dom.js";
import { sayEach, sayMark } from "../texts.js";
import { lengthText, percentText } from "../units.js";
import { DIRECTION, contradiction, gradeText } from "./grades.js";

export const POINT = {
  name: "point", kind: "choice", label: "form.datum.point", initial: () => "tip",
  choices: ["tip", "left", "right"].map((value) => ({ value, label: `point.${value}` })),
};
const SUGGESTED = ["BM1", "TP1", "TP2", "TP3"];

const marksOf = (model) => Object.entries(model.state?.marks ?? {});

export function markNames(model, wanted = () => true) {
  return marksOf(model).filter(([, mark]) => wanted(mark)).map(([name]) => name);
}

/** Names that a new mark may be given: the usual ones that are still free. */
export function freeNames(model) {
  const taken = markNames(model);
  return SUGGESTED.filter((name) => !taken.includes(name)).slice(0, 3);
}

export function hasReceiver(model) {
  return Object.values(model.about?.machine?.sensor ?? {}).some((sensor) => sensor.type === "beam");
}

const inDoubt = (model) => model.state?.datum === "doubtful";
const isSet = (model) => (model.state?.datum ?? "none") !== "none";

/** A reference that nobody doubts is not given up by one touch. */
export function replacing(values, model, { say, units }) {
  if (model.state?.datum !== "set") return null;
  const { mark, known_m } = model.state.reference ?? {};
  const what = [mark && sayMark(say, mark), known_m === undefined ? "" : lengthText(known_m, "long", units, { comma: say.comma })].filter(Boolean).join(", ");
  return { text: say("ask.replace", { what }), answers: [{ label: say("ask.replace.yes"), values }] };
}

/** What nobody was asked about replaces a reference only while it is in doubt: what this screen knows may be old. */
function ifDoubtful(values, model) {
  return model.state?.datum === "set" ? values : { ...values, if_doubtful: true };
}

const onMark = {
  id: "on-mark",
  title: "form.datum.title",
  note: "form.datum.note",
  info: ({ model, say }) => (inDoubt(model)
    ? [make("p", { class: "caution" }, say("form.datum.doubt", { why: sayEach(say, model.state.reasons_said, model.state.reasons).join("; ") }))]
    : []),
  fields: [
    { name: "elevation_m", kind: "length", label: "form.datum.elevation" },
    POINT,
    { name: "mark", kind: "name", label: "form.datum.mark", optional: true, suggest: freeNames },
  ],
  actions: [
    { label: "form.datum.send", command: "datum/set" },
    { label: "form.datum.confirm", command: "datum/confirm", plain: true, when: inDoubt },
    { label: "form.datum.clear", command: "datum/clear", plain: true, when: isSet },
  ],
};

function marksTable({ model, say, units }) {
  const marks = marksOf(model);
  if (!marks.length) return [make("p", { class: "note" }, say("marks.none"))];
  const rows = marks.map(([name, mark]) => make("tr", {},
    make("th", { scope: "row" }, sayMark(say, name)),
    make("td", {}, lengthText(mark.elevation_m, "long", units, { comma: say.comma })),
    make("td", {}, say(mark.known ? "marks.benchmark" : "marks.turning-point"))));
  return [make("table", {}, make("tbody", {}, ...rows))];
}

const marks = {
  id: "marks",
  title: "form.marks.title",
  note: "form.return.note",
  info: marksTable,
  fields: [
    { name: "name", kind: "choice", label: "form.marks.which", choices: (model, say) => markNames(model).map((value) => ({ value, text: sayMark(say, value) })), when: (model) => markNames(model).length > 0 },
    { ...POINT, when: (model) => markNames(model).length > 0 },
  ],
  actions: [
    { label: "form.return.send", command: "mark/return", asks: replacing, body: ifDoubtful, when: (model) => markNames(model).length > 0 },
    { label: "form.check.send", command: "mark/check", when: (model) => markNames(model).length > 0 },
    { label: "form.forget.send", command: "mark/forget", needs: ["name"], when: (model) => markNames(model).length > 0 },
  ],
};

const keep = {
  id: "keep",
  title: "form.keep.title",
  note: "form.keep.note",
  fields: [{ name: "name", kind: "name", label: "form.datum.mark", suggest: freeNames }, POINT],
  actions: [{ label: "form.keep.send", command: "mark/keep" }],
};

const add = {
  id: "add",
  title: "form.add.title",
  fields: [
    { name: "name", kind: "name", label: "form.datum.mark", suggest: freeNames },
    { name: "elevation_m", kind: "length", label: "form.datum.elevation" },
    { name: "station_m", kind: "length", label: "form.station.station", optional: true },
  ],
  actions: [{ label: "form.add.send", command: "mark/add" }],
};

const CROSSINGS = {
  name: "crossings", kind: "choice", label: "form.laser.crossings", initial: () => "3",
  choices: ["1", "3", "5"].map((value) => ({ value, text: value })),
};
const laserBody = ({ crossings, ...rest }) => ({ ...rest, crossings: Number(crossings) });

const laser = {
  id: "laser",
  title: "form.laser.title",
  note: "form.laser.note",
  when: hasReceiver,
  fields: [{ name: "elevation_m", kind: "length", label: "form.laser.elevation", optional: true }, CROSSINGS],
  actions: [
    { label: "form.laser.send", command: "laser/set", body: laserBody, asks: replacing },
    { label: "form.check.send", command: "laser/check", body: laserBody },
  ],
};

function planeNow({ model, say, units }) {
  const { plane } = model.state ?? {};
  if (!plane) return [make("p", { class: "note" }, say("form.laser.none"))];
  const elevation = lengthText(plane.elevation_m, "long", units, { comma: say.comma });
  const way = plane.grade ? say("target.grade", { grade: percentText(Math.abs(plane.grade), say.comma), way: say(plane.grade < 0 ? "target.falling" : "target.rising") }) : "";
  return [make("p", {}, [say("form.laser.now", { elevation }), way, plane.note].filter(Boolean).join(", "))];
}

const laserPlane = {
  id: "plane",
  title: "form.laser.plane.title",
  note: "form.laser.plane.note",
  when: hasReceiver,
  info: planeNow,
  fields: [
    { name: "elevation_m", kind: "length", label: "form.laser.elevation" },
    { name: "grade", kind: "grade", label: "form.plane.grade", optional: true },
    { ...DIRECTION, shown: ({ grade }) => grade !== undefined },
    { name: "note", kind: "name", label: "form.laser.note-of", optional: true },
  ],
  actions: [
    {
      label: "form.laser.plane.send", command: "laser/plane", asks: contradiction,
      body: ({ elevation_m, grade, direction, note }) => ({
        elevation_m, ...(grade === undefined ? {} : { grade: gradeText(grade, direction) }), ...(note === undefined ? {} : { note }),
      }),
    },
    { label: "form.laser.clear", command: "laser/clear", plain: true, when: (model) => Boolean(model.state?.plane) },
  ],
};

const correct = {
  id: "correct",
  title: "form.correct.title",
  note: "form.correct.note",
  when: isSet,
  fields: [
    { name: "add_m", kind: "length", label: "form.correct.by" },
    { name: "remark", kind: "name", label: "form.correct.remark", optional: true },
  ],
  actions: [{ label: "form.correct.send", command: "datum/correct" }],
};

const station = {
  id: "station",
  title: "form.station.title",
  note: "form.station.note",
  fields: [{ name: "station_m", kind: "length", label: "form.station.station" }],
  actions: [{ label: "form.station.send", command: "station/set" }],
};

export const REFERENCE = { id: "reference", title: "tool.reference", pages: [onMark, marks, keep, add, laser, laserPlane, correct, station] };
