// What to do now: the order in large letters, the reading's fields, the buttons.

import { make, setText } from "../dom.js";
import { sayEach } from "../texts.js";

const SIGNED = {
  slope: "guide.slope", height: "guide.height", swing: "guide.reads.swing", slew: "guide.reads.slew",
  cross_slope: "guide.reads.cross_slope", encoder: "guide.reads.encoder",
};
const CLIMB = new Set(["readings"]);

let drawn = ""; // what the form and the buttons were made for: made anew only when that changes

/** Shows the step; nothing of a guide that is not heard. */
export function showTask(context) {
  const { say, at, state, missing } = context;
  const view = state.view;
  const stage = missing ? "lost" : view.stage;
  document.body.dataset.stage = stage;
  setText(at("order"), missing ? say(missing) : order(view, say));
  setText(at("words"), missing ? say(`${missing}.more`, { reason: state.reason }) : words(view, say));
  const near = CLIMB.has(stage) || stage === "place";
  at("caution").hidden = !near;
  setText(at("caution"), near ? say("guide.caution") : "");
  at("rest").hidden = Boolean(missing) || ["place", "readings", "end"].includes(stage);
  at("sheet").hidden = Boolean(missing) || ["place", "readings", "end"].includes(stage);
  setText(at("still"), missing ? "" : stillness(view, say));
  showSlopes(view, context);
  showNote(view, context);
  const wanted = JSON.stringify([stage, view?.step?.id, state.signIn, state.waiting !== null, view?.verdict, view?.finishing, state.view?.marks, missing]);
  if (wanted === drawn) return;
  const before = JSON.parse(drawn || "[]");
  drawn = wanted;
  if (before[0] !== stage || before[1] !== view?.step?.id || before[2] !== state.signIn || stage === "end") showEntry(stage, context);
  showOutcome(stage, context);
  showActions(stage, context);
}

/** Whether what is asked for is a rest of a sensor that lies loose. */
function loose(view) {
  return Boolean(view?.step?.id.startsWith("bench-"));
}

function order(view, say) {
  const { stage, step } = view;
  if (stage === "place") return say("guide.order.place");
  if (stage === "end") return say(view.finishing ? "guide.order.solving" : view.verdict ? "guide.order.verdict" : "guide.order.end");
  if (stage === "silent") return say("guide.order.silent");
  if (stage === "readings") return say("guide.order.readings");
  if (stage === "swing") return say("guide.order.swing");
  if (stage === "ready") return say(step.motion ? "guide.order.start" : "guide.order.take");
  if (loose(view) && stage !== "settling") return say("guide.order.lay");
  return say(step.motion ? "guide.order.rest" : stage === "settling" ? "guide.order.hold" : "guide.order.go");
}

/** The step in this language; a posture that was worked out as a level shows it. */
function words(view, say) {
  const { stage, step } = view;
  if (stage === "place") return say("guide.place");
  if (stage === "end") return view.finishing ? "" : say(view.verdict ? "guide.end.verdict" : "guide.end");
  if (stage === "silent") return say("guide.silent", { sensors: view.silent.map((name) => (say.has(`body.${name}`) ? say(`body.${name}`) : name)).join(", ") });
  if (stage === "readings") {
    const { rest } = step;
    return say("guide.readings", { drift: say.decimal(rest.drift_deg.toFixed(3)), sensor: say.has(`body.${rest.worst}`) ? say(`body.${rest.worst}`) : rest.worst });
  }
  const number = (value) => `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value)}°`;
  const values = { ...step.values };
  for (const name of ["boom", "second_boom", "stick", "bucket"]) if (name in values) values[name] = number(values[name]);
  for (const name of ["reach_m", "height_m"]) if (name in values) values[name] = say.decimal(values[name].toFixed(1));
  values.curled = step.values.curled ? say("guide.curled") : "";
  values.read = step.values.read?.length === 1 ? say(`guide.worth.${step.values.read[0]}`) : "";
  const name = step.values.sensor;
  if (name) values.sensor = say.has(`body.${name}`) ? say(`body.${name}`) : name;
  // A posture that was worked out for a two-piece boom has a slope more.
  const more = "second_boom" in values ? ".two-piece" : "";
  const text = say(step.key + more, values);
  if (loose(view)) return `${text} ${say("guide.bench.still")}`;
  return values.second ? `${text} ${say(`guide.second.${values.second}`)}` : text;
}

function stillness(view, say) {
  if (view.stage === "silent") return "";
  const { seconds, needed, drift_deg } = view.still;
  const drift = say("guide.drift", { drift: say.decimal(drift_deg.toFixed(3)) });
  if (view.stage === "swing") return say("guide.moving-now");
  if (view.stage === "ready") return `${say("guide.is-still")} ${drift}`;
  if (view.stage === "move") return say("guide.move-on");
  if (seconds < 1) return say("guide.moving");
  return `${say("guide.still-for", { s: Math.floor(seconds), needed })} ${drift}`;
}

function showSlopes(view, { say, at, missing }) {
  const list = at("slopes");
  const angles = missing ? null : view?.angles;
  list.hidden = !angles;
  if (!angles) return;
  if (!list.children.length) {
    for (const name of Object.keys(angles)) list.append(make("dt", {}, say(`body.${name}`)), make("dd", { "data-of": name }));
  }
  for (const [name, value] of Object.entries(angles)) {
    const slope = (Math.asin(Math.sin((value * Math.PI) / 180)) * 180) / Math.PI;
    const text = `${slope < 0 ? "−" : "+"}${Math.abs(slope).toFixed(1)}°`;
    setText(list.querySelector(`[data-of="${name}"]`), say.decimal(text));
  }
}

function showNote(view, { say, at, state, missing }) {
  const note = missing ? null : view?.note;
  const told = state.waiting ? say("guide.sent") : state.answer || (note ? say(note.code, note.values) : "");
  setText(at("note"), told);
  at("note").dataset.kind = state.answer ? "refused" : "";
}

function showEntry(stage, context) {
  const { say, at, act, state, connect } = context;
  const form = at("entry");
  form.replaceChildren();
  form.hidden = true;
  form.onsubmit = (event) => event.preventDefault();
  const field = (name, label, more = {}) => {
    const input = make("input", { name, id: `field-${name.replace(/\W/g, "-")}`, ...more });
    form.append(make("label", { for: input.id }, label), input);
    return input;
  };
  if (state.signIn) {
    const user = field("username", say("screen.user"), { autocomplete: "username" });
    const password = field("password", say("screen.password"), { type: "password", autocomplete: "current-password" });
    form.append(make("button", { type: "submit" }, say("screen.sign-in.send")));
    form.onsubmit = (event) => {
      event.preventDefault();
      connect(user.value, password.value);
    };
    form.hidden = false;
    return;
  }
  if (stage === "place") {
    field("standing", say("guide.standing-name"), { value: state.view.standing || `S${state.view.standings.length + 1}`, maxlength: 40 });
    form.hidden = false;
  }
  if (stage === "readings") {
    for (const { name, kind, of, unit } of state.view.step.questions) {
      field(name, `${say(kind === "encoder" ? SIGNED[kind] : `${SIGNED[kind]}.${of}`)}, ${unit === "deg" ? "°" : unit}`, { inputmode: "text", placeholder: say("guide.left-out") });
    }
    form.hidden = false;
  }
  if (stage === "end" && !state.view.verdict && !state.view.finishing) {
    field("mark", say("guide.mark-name"), { maxlength: 20 });
    form.hidden = false;
  }
  form.onsubmit = (event) => {
    event.preventDefault();
    if (stage === "readings") act({ do: "readings", values: Object.fromEntries(new FormData(form)) });
    if (stage === "place") act({ do: "place", standing: form.elements.standing.value });
    if (stage === "end") act({ do: "mark", name: form.elements.mark.value });
  };
}

function showActions(stage, context) {
  const { say, at, act, settings, state } = context;
  const actions = at("actions");
  actions.replaceChildren();
  if (settings.role === "display") {
    if (stage !== "lost") actions.append(make("p", { class: "note" }, say("guide.reads-only")));
    return;
  }
  const button = (key, onclick, more = {}) =>
    actions.append(make("button", { type: "button", onclick, disabled: state.waiting !== null, ...more }, say(key)));
  const submit = () => at("entry").requestSubmit();
  const main = { class: "main" };
  if (stage === "place") {
    button("guide.do.place", submit, main);
    button("guide.do.bench", () => act({ do: "bench" }));
  }
  if (stage === "ready") {
    if (state.view.step.motion) button("guide.do.start", () => act({ do: "start" }), main);
    else button("guide.do.take", () => act({ do: "take" }), main);
  }
  if (stage === "readings") {
    button("guide.do.keep", submit, main);
    button("guide.do.again", () => act({ do: "again" }));
  }
  if (stage === "swing") button("guide.do.again", () => act({ do: "again" }));
  if (["move", "moving", "settling", "ready", "silent"].includes(stage)) button("guide.do.skip", () => act({ do: "skip" }));
  if (stage === "end" && !state.view.finishing) {
    if (!state.view.verdict) button("guide.do.mark", submit);
    button("guide.do.finish", () => act({ do: "finish" }), main);
  }
  if (stage === "lost" || stage === "place") return;
  button(loose(state.view) ? "guide.do.to-machine" : "guide.do.moved", () => act({ do: "moved" }));
}

function showOutcome(stage, { say, at, state }) {
  const box = at("outcome");
  const verdict = stage === "end" ? state.view.verdict : null;
  box.hidden = !verdict;
  box.replaceChildren();
  if (!verdict) return;
  const mm = (metres) => say.decimal(`${(1000 * metres).toFixed(1)} mm`);
  box.dataset.verdict = verdict.word;
  box.append(make("p", { class: "word" }, say(`calibration.verdict.${verdict.word}`)));
  box.append(make("p", {}, say(`calibration.verdict.${verdict.word}.meaning`)));
  if (verdict.tip_rms_m !== undefined) {
    box.append(make("p", {}, say("calibration.tip.value", { rms: mm(verdict.tip_rms_m), worst: mm(verdict.tip_worst_m) })));
  }
  const list = (key, texts, kind) => texts.length && box.append(make("h3", { class: kind }, say(key)), make("ul", { class: kind }, ...texts.map((text) => make("li", {}, text))));
  list("guide.unchecked", verdict.unchecked, "red");
  list("guide.reasons", sayEach(say, verdict.reasons_said, verdict.reasons), "");
  list("calibration.settle", sayEach(say, verdict.settle_said, verdict.settle), "");
  list("guide.set-aside", verdict.set_aside, "");
  box.append(make("p", {}, say("guide.write-it")));
}
