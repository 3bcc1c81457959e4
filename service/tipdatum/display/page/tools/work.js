// Points, limits and the trench.

import { make } from "../dom.js";
import { lengthText } from "../units.js";
import { limitRoom } from "../warnings.js";
import { cautions } from "./target.js";

const point = {
  id: "point",
  title: "form.point.title",
  note: "points.no-survey",
  chips: () => ["INV", "TOP", "BED"].map((code) => ({ text: code, command: "point/record", body: { code } })),
  fields: [
    { name: "code", kind: "name", label: "form.point.code", optional: true },
    { name: "note", kind: "name", label: "form.point.note", optional: true },
  ],
  actions: [{ label: "form.point.send", command: "point/record" }],
};

const auto = {
  id: "auto",
  title: "form.auto.title",
  note: "form.auto.note",
  fields: [{ name: "step_m", kind: "length", label: "form.auto.step", initial: () => "0.25 m", when: (model) => !model.state?.recording }],
  actions: [
    { label: "form.auto.send", command: "point/auto", body: ({ step_m }) => ({ on: true, step_m }), when: (model) => !model.state?.recording },
    { label: "form.auto.stop", command: "point/auto", plain: true, body: () => ({ on: false }), when: (model) => model.state?.recording },
  ],
};

const volume = {
  id: "volume",
  title: "form.volume.title",
  note: "form.volume.note",
  fields: [{ name: "width_m", kind: "length", label: "form.volume.width", optional: true }],
  actions: [{ label: "form.volume.send", command: "volume/trench" }],
};

const kept = {
  id: "kept",
  title: "form.points.kept",
  info: ({ model, say }) => [make("p", {}, say("points.count", { n: model.state?.points ?? 0 }))],
  actions: [
    { label: "form.points.export", command: "point/export", body: () => ({}) },
    {
      label: "form.points.clear", command: "point/clear", plain: true, body: () => ({ sure: true }), when: (model) => model.state?.points > 0,
      asks: (values, model, { say }) => ({ text: say(model.state?.points === 1 ? "ask.clear-point" : "ask.clear-points", { n: model.state?.points ?? 0 }), answers: [{ label: say("ask.clear"), values }] }),
    },
  ],
};

export const POINTS = {
  id: "points",
  title: "tool.points",
  aside: ({ model, say }) => {
    const { points, recording } = model.state ?? {};
    if (recording) return say("points.recording", { n: points });
    return points ? say("points.count", { n: points }) : "";
  },
  pages: [point, auto, volume, kept],
};

const KINDS = ["ceiling", "floor", "near reach", "far reach", "slew left", "slew right"];
const isSlew = ({ kind }) => Boolean(kind?.startsWith("slew"));

function limitTable({ model, say, units, ask }) {
  const limits = model.state?.limits ?? [];
  const watched = new Map(model.limits.map((limit) => [limit.kind, limit]));
  const rows = limits.map((limit) => {
    const value = limit.kind.startsWith("slew")
      ? `${limit.value}°`.replace("-", "−")
      : lengthText(limit.value, "long", units, { comma: say.comma });
    const now = watched.get(limit.kind);
    const words = now ? [say(`limit.state.${now.state}`), limitRoom(now, { say, units })] : [];
    const margin = limit.kind.startsWith("slew") || limit.margin_m === undefined
      ? "" : say("limit.margin", { margin: lengthText(limit.margin_m, "long", units, { step: 0.01, comma: say.comma }) });
    return make("li", {},
      make("p", {}, make("strong", {}, [say(`limit.${limit.kind}`), limit.note].filter(Boolean).join(", ")), ` ${value}`),
      make("p", {}, words.filter(Boolean).join(": ")),
      make("p", { class: "note" }, margin),
      make("button", { type: "button", onclick: () => ask("limit/clear", { kind: limit.kind }) }, say("limit.clear")));
  });
  return rows.length ? [make("ul", { class: "list" }, ...rows)] : [];
}

const limitCautions = ({ say }) => [{ text: say("limits.advice") }];
const clearAll = { label: "form.limit.clear", command: "limit/clear", plain: true, body: () => ({}), when: (model) => model.state?.limits?.length > 1 };

const limit = {
  id: "limit",
  title: "form.limit.title",
  cautions: limitCautions,
  info: limitTable,
  fields: [
    { name: "kind", kind: "choice", label: "form.limit.kind", choices: KINDS.map((value) => ({ value, label: `limit.${value}` })) },
    { name: "value_m", kind: "length", label: "form.limit.value", shown: (current) => !isSlew(current) },
    { name: "value_deg", kind: "angle", label: "form.limit.value-deg", shown: isSlew },
    { name: "margin_m", kind: "length", label: "form.limit.margin", optional: true, shown: (current) => !isSlew(current) },
    { name: "note", kind: "name", label: "form.limit.note", optional: true },
  ],
  actions: [{ label: "form.limit.send", command: "limit/set" }, clearAll],
};

const line = {
  id: "line",
  title: "form.line.title",
  note: "form.line.note",
  cautions: limitCautions,
  fields: [
    { name: "kilovolts", kind: "number", label: "form.line.kilovolts" },
    { name: "value_m", kind: "length", label: "form.line.ceiling", optional: true },
  ],
  actions: [
    { label: "form.line.ask", command: "trench/overhead-line", needs: ["kilovolts"] },
    {
      label: "form.line.send", command: "limit/set", body: (values) => ({ ...values, kind: "ceiling" }),
      asks: ({ value_m }, model, { say }) => (value_m === undefined ? { text: say("entry.empty"), answers: [] } : null),
    },
  ],
};

export const LIMITS = {
  id: "limits",
  title: "tool.limits",
  aside: ({ model, say }) => {
    const n = model.state?.limits?.length ?? 0;
    return n ? say("limits.count", { n }) : "";
  },
  pages: [limit, line],
};

const ground = {
  id: "ground",
  title: "form.ground.title",
  note: "form.ground.note",
  cautions,
  fields: [{ name: "elevation_m", kind: "length", label: "form.ground.elevation", optional: true }],
  actions: [
    { label: "form.ground.send", command: "ground/set" },
  ],
};

const other = {
  id: "new",
  title: "form.trench.title",
  note: "form.trench.note",
  fields: [
    { name: "name", kind: "name", label: "form.trench.name", optional: true },
    {
      name: "soil", kind: "choice", label: "form.trench.soil", optional: true, initial: () => "",
      choices: [{ value: "", label: "form.trench.soil.none" }, ...["stable rock", "A", "B", "C"].map((value) => ({ value, label: `soil.${value}` }))],
    },
  ],
  actions: [{ label: "form.trench.send", command: "trench/new" }],
};

const rules = {
  id: "rules",
  title: "form.rules.title",
  note: "trench.local-rules",
  fields: [{
    name: "jurisdiction", kind: "choice", label: "form.rules.whose", optional: true,
    initial: (model) => model.state?.trench?.jurisdiction ?? "",
    choices: [{ value: "", label: "form.rules.none" }, { value: "us", label: "form.rules.us" }],
  }],
  actions: [{ label: "form.rules.send", command: "trench/jurisdiction", body: ({ jurisdiction = null }) => ({ jurisdiction }) }],
};

export const TRENCH = {
  id: "trench",
  title: "tool.trench",
  aside: ({ model, say }) => {
    const n = model.state?.cautions?.length ?? 0;
    return n ? say("cautions.count", { n }) : model.state?.trench?.name ?? "";
  },
  pages: [ground, other, rules],
};
