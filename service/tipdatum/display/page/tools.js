// The tools along the bottom, as data: what each shows, and which commands its forms send.
// Fields of kind "length" and "grade" reach `body` in metres and as a ratio.

import { make } from "./dom.js";
import { LANGUAGES } from "./texts.js";
import { UNIT_SETS } from "./units.js";

const NUMBER_OF_MARKS = 4;

function markNames(model) {
  const used = (model.state?.marks ?? []).map((mark) => mark.name);
  return [...new Set([...used, "BM1", "TP1", "TP2"])].slice(0, NUMBER_OF_MARKS);
}

export const REFERENCE = {
  id: "reference",
  title: "tool.reference",
  forms: [
    {
      title: "form.datum.title",
      note: "form.datum.note",
      fields: [
        { name: "elevation_m", kind: "length", label: "form.datum.elevation" },
        {
          name: "point", kind: "choice", label: "form.datum.point",
          choices: ["tip", "left", "right"].map((value) => ({ value, label: `point.${value}` })),
        },
        { name: "mark", kind: "name", label: "form.datum.mark", optional: true, suggest: markNames },
      ],
      send: "form.datum.send",
      command: "datum/set",
    },
    { send: "form.datum.clear", command: "datum/clear", when: (model) => model.tip?.datum !== "none" },
  ],
};

export const TARGET = {
  id: "target",
  title: "tool.target",
  forms: [
    {
      title: "form.level.title",
      fields: [
        { name: "elevation_m", kind: "length", label: "form.level.elevation", optional: true },
        { name: "depth_m", kind: "length", label: "form.level.depth", optional: true },
      ],
      send: "form.level.send",
      command: "target/level",
    },
    { send: "form.target.clear", command: "target/clear", when: (model) => Boolean(model.state?.target) },
  ],
};

export const SENSORS = {
  id: "sensors",
  title: "tool.sensors",
  aside({ model, say }) {
    const bad = [...model.health.values()].filter((health) => health.state !== "ok").length;
    const n = model.health.size;
    return n ? say(bad ? "sensors.some" : "sensors.all-well", { bad, n }) : "";
  },
  info({ model, say }) {
    if (!model.health.size) return [make("p", {}, say("sensors.none"))];
    const rows = [...model.health.values()].map((health) => {
      const counted = Object.entries(health.faults).map(([kind, n]) => `${kind} ${n}`).join(", ");
      const words = [health.text, counted && say("sensors.faults", { list: counted })].filter(Boolean).join("; ");
      return make("tr", {},
        make("td", {}, make("strong", {}, health.sensor), make("br"), say("sensors.body", { body: health.body })),
        make("td", {}, make("strong", {}, say(`sensors.state.${health.state}`)), words ? make("br") : null, words),
        make("td", {}, health.rate_hz === null ? "–" : say("sensors.rate.value", { rate: health.rate_hz.toFixed(0) })));
    });
    const head = ["sensors.sensor", "sensors.state", "sensors.rate"].map((key) => make("th", { scope: "col" }, say(key)));
    return [make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows))];
  },
};

/** The screen's own settings; `screen` offers `choices`, `set(name, value)`, `sound`, `signIn(user, password)`. */
export function screenTool(screen) {
  const choose = (name, values, label) => ({
    choosing: true,
    local: () => {},
    fields: [{
      name, kind: "choice", label,
      initial: () => screen.choices[name],
      choices: values,
      changed: (value) => screen.set(name, value),
    }],
    send: "form.send",
  });
  const texts = (prefix, values) => values.map((value) => ({ value, label: `${prefix}.${value}` }));
  return {
    id: "screen",
    title: "tool.screen",
    info: ({ model, say }) => (model.about
      ? [make("p", { class: "note" }, say("screen.about", { machine: model.about.machine?.name ?? "", version: model.about.version, contract: model.about.contract }))]
      : []),
    forms: [
      choose("light", texts("screen.light", ["auto", "sun", "night"]), "screen.light"),
      choose("units", texts("screen.units", Object.keys(UNIT_SETS)), "screen.units"),
      choose("language", Object.entries(LANGUAGES).map(([value, t]) => ({ value, text: t["language.name"] })), "screen.language"),
      { ...choose("sound", texts("screen.sound", ["off", "on"]), "screen.sound"), note: "screen.sound.note" },
      {
        title: "screen.sign-in",
        fields: [
          { name: "username", kind: "name", label: "screen.user", initial: () => screen.username },
          { name: "password", kind: "secret", label: "screen.password", optional: true },
        ],
        send: "screen.sign-in.send",
        local: ({ username, password }) => screen.signIn(username, password),
      },
    ],
  };
}

export const TOOLS = [REFERENCE, TARGET, SENSORS];
