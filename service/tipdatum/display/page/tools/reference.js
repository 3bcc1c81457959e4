// Reference: a touch on a mark, marks to come back to after a move, the laser, the level book.

import { make } from "../dom.js";
import { lengthText } from "../units.js";

const POINT = {
  name: "point", kind: "choice", label: "form.datum.point",
  choices: ["tip", "left", "right"].map((value) => ({ value, label: `point.${value}` })),
};
const SUGGESTED = ["BM1", "TP1", "TP2", "TP3"];

function marksOf(model) {
  return Object.entries(model.state?.marks ?? {});
}

function names(model, wanted = () => true) {
  return marksOf(model).filter(([, mark]) => wanted(mark)).map(([name]) => name);
}

/** Names that a new mark may be given: the usual ones that are still free. */
function freeNames(model) {
  const taken = names(model);
  return SUGGESTED.filter((name) => !taken.includes(name)).slice(0, 3);
}

function choiceOfMarks(label, wanted) {
  return {
    name: "name", kind: "choice", label,
    choices: (model) => names(model, wanted).map((value) => ({ value, text: value })),
  };
}

function hasReceiver(model) {
  return Object.values(model.about?.machine?.sensor ?? {}).some((sensor) => sensor.type === "beam");
}

function marksTable({ model, say, units }) {
  const marks = marksOf(model);
  if (!marks.length) return [make("p", { class: "note" }, say("marks.none"))];
  const rows = marks.map(([name, mark]) => make("tr", {},
    make("th", { scope: "row" }, name),
    make("td", {}, lengthText(mark.elevation_m, "long", units, { comma: say.comma })),
    make("td", {}, say(mark.known ? "marks.benchmark" : "marks.turning-point"))));
  return [make("table", {}, make("tbody", {}, ...rows))];
}

const onMark = {
  id: "on-mark",
  title: "form.datum.title",
  info: ({ model, say }) => (model.state?.datum === "doubtful"
    ? [make("p", { class: "caution" }, say("form.datum.doubt", { why: model.state.reasons.join("; ") }))]
    : []),
  forms: [
    { send: "form.datum.confirm", command: "datum/confirm", when: (model) => model.state?.datum === "doubtful" },
    {
      note: "form.datum.note",
      fields: [
        { name: "elevation_m", kind: "length", label: "form.datum.elevation" },
        POINT,
        { name: "mark", kind: "name", label: "form.datum.mark", optional: true, suggest: freeNames },
      ],
      send: "form.datum.send",
      command: "datum/set",
    },
    { send: "form.datum.clear", command: "datum/clear", when: (model) => (model.state?.datum ?? "none") !== "none" },
  ],
};

const marks = {
  id: "marks",
  title: "form.marks.title",
  info: marksTable,
  forms: [
    {
      title: "form.return.title", note: "form.return.note",
      fields: [choiceOfMarks("form.marks.which"), POINT],
      send: "form.return.send", command: "mark/return", when: (model) => names(model).length > 0,
    },
    {
      title: "form.check.title",
      fields: [choiceOfMarks("form.marks.which"), POINT],
      send: "form.check.send", command: "mark/check", when: (model) => names(model).length > 0,
    },
    {
      title: "form.keep.title", note: "form.keep.note",
      fields: [{ name: "name", kind: "name", label: "form.datum.mark", suggest: freeNames }, POINT],
      send: "form.keep.send", command: "mark/keep",
    },
    {
      title: "form.add.title",
      fields: [
        { name: "name", kind: "name", label: "form.datum.mark", suggest: freeNames },
        { name: "elevation_m", kind: "length", label: "form.datum.elevation" },
      ],
      send: "form.add.send", command: "mark/add",
    },
  ],
};

const CROSSINGS = {
  name: "crossings", kind: "choice", label: "form.laser.crossings", initial: () => "3",
  choices: ["1", "3", "5"].map((value) => ({ value, text: value })),
};
const laserBody = ({ elevation_m, crossings }) => ({ elevation_m, crossings: Number(crossings) });

const laser = {
  id: "laser",
  title: "form.laser.title",
  when: hasReceiver,
  forms: [
    {
      title: "form.laser.set.title", note: "form.laser.note",
      fields: [{ name: "elevation_m", kind: "length", label: "form.laser.elevation", optional: true }, CROSSINGS],
      send: "form.datum.send", command: "laser/set", body: laserBody,
    },
    {
      title: "form.laser.check.title",
      fields: [{ name: "elevation_m", kind: "length", label: "form.laser.elevation", optional: true }, CROSSINGS],
      send: "form.check.send", command: "laser/check", body: laserBody,
    },
  ],
};

const book = {
  id: "book",
  title: "form.book.title",
  forms: [
    {
      title: "form.close.title", note: "form.close.note",
      fields: [
        { name: "mark", kind: "name", label: "form.datum.mark", optional: true, suggest: (model) => names(model, (m) => m.known) },
        { name: "elevation_m", kind: "length", label: "form.close.elevation", optional: true },
        POINT,
      ],
      send: "form.close.send", command: "book/close",
    },
    { note: "form.distribute.note", send: "form.distribute.send", command: "book/distribute" },
    {
      title: "form.correct.title", note: "form.correct.note",
      fields: [
        { name: "add_m", kind: "length", label: "form.correct.by" },
        { name: "remark", kind: "name", label: "form.correct.remark", optional: true },
      ],
      send: "form.correct.send", command: "datum/correct",
    },
  ],
};

export const REFERENCE = { id: "reference", title: "tool.reference", pages: [onMark, marks, laser, book] };
