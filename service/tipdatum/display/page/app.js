// Puts the page together: messages into the model, the model onto the screen, touches into commands.

import { readInks } from "./canvas.js";
import { Card } from "./card.js";
import { Commands } from "./commands.js";
import { Day } from "./day.js";
import { make, setText } from "./dom.js";
import { drawEdge, edgeMatters } from "./edge.js";
import { Forms } from "./forms.js";
import { Model, tolerance } from "./model.js";
import { MqttClient } from "./mqtt.js";
import { showFigure, showHeading } from "./panel.js";
import { drawPlan } from "./plan.js";
import { Record } from "./record.js";
import { FONT, scene } from "./scene.js";
import { Section } from "./section.js";
import { loadChoices, loadSettings, saveChoices } from "./settings.js";
import { Sound } from "./sound.js";
import { drawStaff } from "./staff.js";
import { targetWords } from "./target.js";
import { Targets } from "./targets.js";
import { loadLanguages, pickLanguage, speaker } from "./texts.js";
import { FIELDS, LABELS, TOOLS, dayTool, screenTool } from "./tools/index.js";
import { holdPicture } from "./touch.js";
import { drawTrend } from "./trend.js";
import { Undo } from "./undo.js";
import { UNIT_SETS, lengthText } from "./units.js";
import { showWarnings } from "./warnings.js";
import { zeroHere } from "./zero.js";

const WORDS_EVERY_MS = 100;
const TREND_EVERY_MS = 50; // it moves by less than a pixel in between
const TOPICS = [["tip", 0], ["arm", 0], ["limits", 0], ["state", 1], ["about", 1], ["status", 1], ["changes", 1], ["health/#", 1], ["event", 1], ["reply", 1]];
const VIEWS = ["all", "glance", "section", "numbers"];
const PICTURES = ["follow", "whole", "plan", "edge"];

const settings = await loadSettings();
await loadLanguages(settings.languages);
const choices = {
  light: "auto", units: settings.units, language: settings.language, view: "all", sound: "off", ...loadChoices(), ...settings.asked,
};
// Whatever an address or an older page may have left.
if (!(choices.units in UNIT_SETS)) choices.units = "mm";
if (!VIEWS.includes(choices.view)) choices.view = "all";

const at = (id) => document.getElementById(id);
const base = `${settings.topic_root}/${settings.machine_id}`;
const model = new Model();
const record = new Record();
const section = new Section(at("section"));
const card = new Card();
const forms = new Forms();
const sound = new Sound();
const targets = new Targets();
const undo = new Undo([at("form-foot"), at("undo")]);
const day = new Day(settings.machine_id);
let say = speaker(pickLanguage(choices.language, navigator.languages));
let inks = readInks();
let client, commands;
let dirty = true;
let wordsAt = 0;
let trendAt = 0;
let shownKind = "none";

// --- the broker --------------------------------------------------------------------------------------

function connect(username, password) {
  client?.stop();
  client = new MqttClient(settings.websocket, { username, password });
  for (const [topic, qos] of TOPICS) client.subscribe(`${base}/${topic}`, qos);
  commands = new Commands(client, base);
  client.onState = (state, reason) => {
    model.setLink(state, reason);
    if (state !== "connected") commands.lost();
    showSlowly();
    dirty = true;
  };
  client.onMessage = take;
  client.start();
}

const decoder = new TextDecoder();

function take(topic, payload) {
  let message;
  try {
    message = JSON.parse(decoder.decode(payload));
  } catch {
    return; // not of the contract: somebody else's message
  }
  const name = topic.slice(base.length + 1);
  if (name === "reply") {
    commands.take(message);
    return;
  }
  const kind = model.accept(name, message, performance.now());
  if (kind === "tip") record.take(message, model.arm && Math.abs(model.arm.t - message.t) < 0.4 ? model.arm : null);
  if (kind === "state") record.startAnew(JSON.stringify(message.reference ?? null));
  if (kind === "event" && message.kind === "point" && message.data && model.arm) {
    record.points.push({ reach: message.data.reach_m, slew: model.arm.slew_deg ?? 0, name: message.data.automatic ? "" : message.data.code });
  }
  if (kind === "tip") {
    // Digits follow the message at once; what stands beside them may wait for its turn.
    const figure = model.figure(performance.now());
    if (figure.kind !== "none" || shownKind !== "none") showFigure(figure, context(), figure.kind !== shownKind);
    shownKind = figure.kind;
  } else if (kind !== "arm" && kind !== "limits") showSlowly();
  dirty = true;
}

// --- the screen --------------------------------------------------------------------------------------

function context() {
  return { say, units: choices.units, model, machine: settings.machine_id, inks, section, record };
}

function showWords(now) {
  const figure = model.figure(now);
  const targetText = targetWords(model.state?.target, say, choices.units);
  showFigure(figure, context());
  showHeading({ ...context(), targetText });
  showWarnings(at("warnings"), context(), now);
  sound.follow(figure);
  const { tip } = model;
  const long = (metres) => lengthText(metres, "long", choices.units, { step: 0.05, comma: say.comma });
  const seen = figure.kind !== "none" && tip.reach_m !== null;
  setText(at("drawing-words"), seen
    ? say("section.words", { elevation: long(tip.elevation_m), reach: long(tip.reach_m) })
    : say("section.none"));
}

/** What changes when somebody does something, not fifty times a second. */
function showSlowly() {
  forms.refresh();
  showTools();
  undo.refresh(blocked() !== null);
  card.show({ state: model.state, say, blocked, send });
}

function drawPictures(now, figure) {
  const drawn = scene(context(), now, targetWords(model.state?.target, say, choices.units));
  let moving = false;
  if (choices.view === "all" || choices.view === "section") {
    if (section.mode === "plan") drawPlan(at("section"), drawn);
    else if (section.mode === "edge") drawEdge(at("section"), drawn);
    else moving = section.draw(drawn, now);
  }
  if (choices.view !== "section") {
    const common = { figure, trend: record.trend, band: tolerance(model.state), inks, units: choices.units, comma: say.comma, font: FONT };
    if (choices.view !== "numbers") drawStaff(at("staff"), common);
    if (!at("known").hidden && now - trendAt >= TREND_EVERY_MS) {
      trendAt = now;
      drawTrend(at("trend"), common);
    }
  }
  return moving;
}

function frame(now) {
  requestAnimationFrame(frame);
  // The page's own watch: one that hears nothing has to notice by itself, and at once.
  const figure = model.figure(now);
  if (now - wordsAt >= WORDS_EVERY_MS || figure.kind !== shownKind) {
    dirty ||= figure.kind !== shownKind;
    wordsAt = now;
    shownKind = figure.kind;
    showWords(now);
  }
  if (dirty) dirty = drawPictures(now, figure);
}

// A hidden tab gets no frames; when it comes back nothing old may flash up.
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) showWords(performance.now());
});

function showLight() {
  const dark = matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.light = choices.light === "auto" ? (dark ? "night" : "sun") : choices.light;
  inks = readInks();
  dirty = true;
}

function showTexts() {
  say = speaker(pickLanguage(choices.language, navigator.languages));
  choices.language = say.language;
  say.units = choices.units;
  say.labels = LABELS;
  say.fields = FIELDS;
  document.documentElement.lang = say.language;
  for (const element of document.querySelectorAll("[data-text]")) setText(element, say(element.dataset.text));
  for (const element of document.querySelectorAll("[data-label]")) {
    element.setAttribute("aria-label", say(element.dataset.label));
  }
  showSlowly();
  showPicture();
  showView();
  dirty = true;
}

/** What fills the screen: everything, or one part alone for a second screen. */
function showView() {
  document.body.dataset.view = choices.view;
  at("fill").setAttribute("aria-label", say(choices.view === "all" ? "view.fill" : "view.back"));
  setText(at("fill"), choices.view === "all" ? "⤢" : "⤡");
  dirty = true;
}

// --- touches -----------------------------------------------------------------------------------------

/** Why commands cannot be sent from here at present, or null. */
function blocked() {
  if (settings.role === "display") return { key: "tool.read-only", role: settings.role };
  if (model.link.state !== "connected") return { key: "tool.no-link" };
  return null;
}

async function send(name, body) {
  const reply = await commands.send(name, body);
  if (reply.ok && reply.result?.undo_s) undo.offer(reply.result.undo_s, say, () => send("change/undo", {}));
  if (reply.ok && name.startsWith("target/")) targets.remember(name, body);
  return reply;
}

const KEPT = ["light", "units", "language", "sound", "view"];

const screen = {
  choices,
  username: settings.username ?? "",
  set(name, value) {
    choices[name] = value;
    saveChoices(Object.fromEntries(KEPT.map((key) => [key, choices[key]])));
    if (name === "sound") sound.turn(value === "on");
    else if (name === "view") {
      showView();
      forms.close();
    } else {
      if (name === "light") showLight();
      showTexts();
      if (name === "language") open(screenTool(screen));
    }
  },
  signIn(username, password) {
    connect(username, password);
    forms.close();
  },
};

function formContext() {
  return {
    say, units: choices.units, model, blocked, send,
    recent: () => targets.chips(say, choices.units),
    after: (command) => {
      if (command.startsWith("target/")) targets.askForTolerance(command, forms, formContext());
    },
  };
}

function open(tool, page = undefined) {
  forms.open(tool, formContext(), page);
}

function showTools() {
  const tools = [...TOOLS, dayTool(day), screenTool(screen)];
  const nav = at("tools");
  if (!nav.children.length) {
    const button = (id) => make("button", { type: "button", "data-tool": id }, make("span"), make("span", { class: "aside" }));
    nav.replaceChildren(...["zero", ...tools.map(({ id }) => id)].map(button));
  }
  const [zero, ...others] = nav.children;
  zero.disabled = blocked() !== null;
  zero.onclick = () => zeroHere({ model, say, units: choices.units, send, card });
  setText(zero.children[0], say("zero.here"));
  tools.forEach((tool, i) => {
    others[i].onclick = () => open(tool);
    setText(others[i].children[0], say(tool.title));
    setText(others[i].children[1], tool.aside?.(context()) ?? "");
  });
}

function showPicture() {
  const pictures = PICTURES.filter((one) => one !== "edge" || edgeMatters(model));
  const next = pictures[(pictures.indexOf(section.mode) + 1) % pictures.length];
  at("picture").dataset.next = next;
  setText(at("picture"), say(`view.${next}`));
}

at("picture").onclick = () => {
  section.mode = at("picture").dataset.next;
  showPicture();
  dirty = true;
};

at("fill").onclick = () => {
  choices.view = choices.view === "all" ? "glance" : "all";
  showView();
};
at("known").onclick = at("fill").onclick;

holdPicture(at("section"), section, () => {
  showPicture();
  dirty = true;
});

// A page may not sound by itself: what was chosen before is taken up with the first touch.
if (choices.sound === "on") addEventListener("pointerdown", () => { if (choices.sound === "on") sound.turn(true); }, { once: true });

matchMedia("(prefers-color-scheme: dark)").onchange = showLight;
const resized = new ResizeObserver(() => { dirty = true; });
for (const id of ["section", "staff", "trend"]) resized.observe(at(id));
day.onChange = () => forms.refresh();

showLight();
showTexts();
connect(settings.username || undefined, undefined);
requestAnimationFrame(frame);
