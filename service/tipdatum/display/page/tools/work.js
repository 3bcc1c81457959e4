// Bucket, points, limits and the trench.

import { make } from "../dom.js";
import { lengthText } from "../units.js";

const knownMarks = (model) => Object.entries(model.state?.marks ?? {}).map(([name]) => name);

export const BUCKET = {
  id: "bucket",
  title: "tool.bucket",
  aside: ({ model }) => model.state?.bucket ?? "",
  forms: [
    {
      title: "form.bucket.title", note: "form.bucket.note",
      fields: [{
        name: "name", kind: "choice", label: "form.bucket.which",
        initial: (model) => model.state?.bucket,
        choices: (model) => (model.about?.machine?.bucket ?? []).map(({ name }) => ({ value: name, text: name })),
      }],
      send: "form.bucket.send", command: "bucket/choose",
    },
    {
      title: "form.wear.title", note: "form.wear.note",
      fields: [{ name: "mark", kind: "name", label: "form.datum.mark", optional: true, suggest: knownMarks }],
      send: "form.wear.send", command: "bucket/wear",
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
  info: ({ say }) => [make("p", { class: "note" }, say("points.no-survey"))],
  forms: [
    {
      title: "form.point.title",
      fields: [
        { name: "code", kind: "name", label: "form.point.code", optional: true, suggest: () => ["INV", "TOP", "BED"] },
        { name: "note", kind: "name", label: "form.point.note", optional: true },
      ],
      send: "form.point.send", command: "point/record",
    },
    {
      title: "form.auto.title",
      fields: [{ name: "step_m", kind: "length", label: "form.auto.step" }],
      send: "form.auto.send", command: "point/auto", body: ({ step_m }) => ({ on: true, step_m }),
      when: (model) => !model.state?.recording,
    },
    { send: "form.auto.stop", command: "point/auto", body: () => ({ on: false }), when: (model) => model.state?.recording },
    {
      title: "form.volume.title", note: "form.volume.note",
      fields: [{ name: "width_m", kind: "length", label: "form.volume.width", optional: true }],
      send: "form.volume.send", command: "volume/trench",
    },
  ],
};

const KINDS = ["ceiling", "floor", "near reach", "far reach", "slew left", "slew right"];

function limitLines({ model, say, units }) {
  const limits = model.state?.limits ?? [];
  const advice = make("p", { class: "caution" }, say("limits.advice"));
  if (!limits.length) return [advice];
  const watched = new Map((model.limits).map((limit) => [limit.kind, limit]));
  const rows = limits.map((limit) => {
    const value = limit.kind.startsWith("slew")
      ? `${limit.value}°`
      : lengthText(limit.value, "long", units, { comma: say.comma });
    const { state, distance_m: left = null } = watched.get(limit.kind) ?? {};
    const words = [state && say(`limit.state.${state}`), left !== null && lengthText(left, "long", units, { step: 0.01, comma: say.comma })];
    return make("tr", {},
      make("th", { scope: "row" }, say(`limit.${limit.kind}`)),
      make("td", {}, value),
      make("td", {}, words.filter(Boolean).join(", ")),
      make("td", {}, limit.note ?? ""));
  });
  return [advice, make("table", {}, make("tbody", {}, ...rows))];
}

export const LIMITS = {
  id: "limits",
  title: "tool.limits",
  aside: ({ model, say }) => {
    const n = model.state?.limits?.length ?? 0;
    return n ? say("limits.count", { n }) : "";
  },
  info: limitLines,
  forms: [
    {
      title: "form.limit.title",
      fields: [
        {
          name: "kind", kind: "choice", label: "form.limit.kind",
          choices: KINDS.slice(0, 4).map((value) => ({ value, label: `limit.${value}` })),
        },
        { name: "value_m", kind: "length", label: "form.limit.value" },
        { name: "note", kind: "name", label: "form.limit.note", optional: true },
      ],
      send: "form.limit.send", command: "limit/set",
    },
    { send: "form.limit.clear", command: "limit/clear", body: () => ({}), when: (model) => model.state?.limits?.length > 0 },
  ],
};

export const TRENCH = {
  id: "trench",
  title: "tool.trench",
  aside: ({ model, say }) => {
    const n = model.state?.cautions?.length ?? 0;
    return n ? say("cautions.count", { n }) : "";
  },
  info({ model, say }) {
    const cautions = model.state?.cautions ?? [];
    return [
      make("p", { class: "note" }, say("trench.local-rules")),
      ...cautions.map(({ text, source }) => make("p", { class: "caution" }, text, source ? make("small", {}, ` (${source})`) : null)),
    ];
  },
  forms: [
    { title: "form.ground.title", note: "form.ground.note", send: "form.ground.send", command: "ground/set", body: () => ({}) },
    {
      title: "form.trench.title", note: "form.trench.note",
      fields: [{ name: "name", kind: "name", label: "form.trench.name", optional: true }],
      send: "form.trench.send", command: "trench/new",
    },
  ],
};
