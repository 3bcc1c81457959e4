// The machine: which bucket is on, how worn it is, and how the sensors are.

import { make } from "../dom.js";
import { markNames } from "./reference.js";
import { sayFault, sayMark, saySaid } from "../texts.js";

const bucket = {
  id: "bucket",
  title: "tool.bucket",
  note: "form.bucket.note",
  fields: [{
    name: "name", kind: "choice", label: "form.bucket.which",
    initial: (model) => model.state?.bucket,
    choices: (model) => (model.about?.machine?.bucket ?? []).map(({ name }) => ({ value: name, text: name })),
  }],
  actions: [{ label: "form.bucket.send", command: "bucket/choose" }],
};

const wear = {
  id: "wear",
  title: "form.wear.title",
  note: "form.wear.note",
  fields: [
    {
      name: "mark", kind: "choice", label: "form.marks.which", optional: true,
      choices: (model, say) => markNames(model).map((value) => ({ value, text: sayMark(say, value) })),
    },
    { name: "wear_m", kind: "length", label: "form.wear.by-rule", optional: true },
  ],
  actions: [
    { label: "form.wear.send", command: "bucket/wear", needs: ["mark"] },
    {
      label: "form.wear.set", command: "bucket/wear-set", needs: ["wear_m"],
      asks: ({ wear_m }, model, { say }) => (wear_m === undefined ? { text: say("entry.empty"), answers: [] } : null),
    },
  ],
};

/** What tells a bad bracket or a wrong mount: how the sensor agrees with the others, and what shakes it. */
function bracket(health, say) {
  const texts = [];
  const number = (value, digits) => say.decimal(value.toFixed(digits));
  if (typeof health.test_ratio === "number") texts.push(say("sensors.ratio", { ratio: number(health.test_ratio, 2) }));
  if (typeof health.vibration_mps2 === "number") texts.push(say("sensors.vibration", { rms: number(health.vibration_mps2, 1) }));
  if (health.clipped_share > 0) texts.push(say("sensors.clipped", { share: number(100 * health.clipped_share, 1) }));
  return texts;
}

/** What the calibration said of the machine that is described; nothing where it was changed since. */
function calibration({ model, say }) {
  const said = model.about?.machine?.calibrated;
  if (!said) return say("sensors.not-calibrated");
  const tip = say.decimal((1000 * said.tip_sigma_m).toFixed(1));
  return say("sensors.calibrated", { date: said.date.slice(0, 10), verdict: say(`calibration.verdict.${said.verdict}`), tip });
}

function sensorTable({ model, say }) {
  const calibrated = make("p", { class: "note" }, calibration({ model, say }));
  if (!model.health.size) return [calibrated, make("p", {}, say("sensors.none"))];
  const rows = [...model.health.values()].map((health) => {
    const counted = Object.entries(health.faults).map(([kind, n]) => `${sayFault(say, kind)} ${n}`).join(", ");
    const words = [saySaid(say, health.said, health.text), counted && say("sensors.faults", { list: counted })].filter(Boolean).join("; ");
    return make("tr", {},
      make("th", { scope: "row" }, make("strong", {}, health.sensor), make("br"), say("sensors.body", { body: say(`body.${health.body}`) })),
      make("td", {}, make("strong", {}, say(`sensors.state.${health.state}`)), words ? make("br") : null, words),
      make("td", {}, health.rate_hz === null ? "–" : say("sensors.rate.value", { rate: health.rate_hz.toFixed(0) }),
        ...bracket(health, say).flatMap((text) => [make("br"), text])));
  });
  const head = ["sensors.sensor", "sensors.state", "sensors.rate"].map((key) => make("th", { scope: "col" }, say(key)));
  return [calibrated, make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows))];
}

const worth = {
  id: "worth",
  title: "form.worth.title",
  note: "form.worth.note",
  actions: [{ label: "form.worth.send", command: "tip/why", plain: true }],
};

const sensors = { id: "sensors", title: "tool.sensors", info: sensorTable };

export const MACHINE = {
  id: "machine",
  title: "tool.machine",
  aside({ model, say }) {
    const n = model.health.size;
    const bad = [...model.health.values()].filter((health) => health.state !== "ok").length;
    return bad ? say("sensors.some", { bad, n }) : model.state?.bucket ?? "";
  },
  pages: [bucket, wear, sensors, worth],
};
