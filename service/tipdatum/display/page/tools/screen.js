// Sensors, and the screen's own settings.

import { make } from "../dom.js";
import { LANGUAGES } from "../texts.js";
import { UNIT_SETS } from "../units.js";

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
        make("th", { scope: "row" }, make("strong", {}, health.sensor), make("br"), say("sensors.body", { body: health.body })),
        make("td", {}, make("strong", {}, say(`sensors.state.${health.state}`)), words ? make("br") : null, words),
        make("td", {}, health.rate_hz === null ? "–" : say("sensors.rate.value", { rate: health.rate_hz.toFixed(0) })));
    });
    const head = ["sensors.sensor", "sensors.state", "sensors.rate"].map((key) => make("th", { scope: "col" }, say(key)));
    return [make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows))];
  },
};

/** `screen` offers `choices`, `set(name, value)`, `username` and `signIn(user, password)`. */
export function screenTool(screen) {
  const choose = (name, values, note) => ({
    note,
    fields: [{
      name, kind: "choice", label: `screen.${name}`,
      initial: () => screen.choices[name],
      choices: values,
      changed: (value) => screen.set(name, value),
    }],
  });
  const labelled = (name, values) => values.map((value) => ({ value, label: `screen.${name}.${value}` }));
  const languages = Object.entries(LANGUAGES).map(([value, texts]) => ({ value, text: texts["language.name"] }));
  return {
    id: "screen",
    title: "tool.screen",
    info: ({ model, say }) => (model.about
      ? [make("p", { class: "note" }, say("screen.about", {
        machine: model.about.machine?.name ?? "", version: model.about.version, contract: model.about.contract,
      }))]
      : []),
    forms: [
      choose("light", labelled("light", ["auto", "sun", "night"])),
      choose("units", labelled("units", Object.keys(UNIT_SETS))),
      choose("language", languages),
      choose("sound", labelled("sound", ["off", "on"]), "screen.sound.note"),
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
