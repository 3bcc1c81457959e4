// Puts the page together: messages into the model, the model onto the screen, touches into commands.

import { readInks } from "./canvas.js";
import { Card } from "./card.js";
import { Commands } from "./commands.js";
import { make, setText } from "./dom.js";
import { Forms } from "./forms.js";
import { Model } from "./model.js";
import { MqttClient } from "./mqtt.js";
import { showFigure, showHeading } from "./panel.js";
import { Record } from "./record.js";
import { scene } from "./scene.js";
import { Section } from "./section.js";
import { loadChoices, loadSettings, saveChoices } from "./settings.js";
import { Sound } from "./sound.js";
import { targetWords } from "./target.js";
import { loadLanguages, pickLanguage, speaker } from "./texts.js";
import { TOOLS, screenTool } from "./tools/index.js";
import { drawTrend } from "./trend.js";
import { UNIT_SETS, lengthText } from "./units.js";

const WORDS_EVERY_MS = 100;
const TREND_EVERY_MS = 50; // it moves by less than a pixel in between
const TOPICS = [["tip", 0], ["arm", 0], ["limits", 0], ["state", 1], ["about", 1], ["status", 1], ["changes", 1], ["health/#", 1], ["event", 1], ["reply", 1]];

const settings = await loadSettings();
await loadLanguages(settings.languages);
const choices = {
  light: "auto", units: settings.units, language: settings.language, ...loadChoices(), ...settings.asked, sound: "off",
};
if (!(choices.units in UNIT_SETS)) choices.units = "mm"; // whatever an address or an older page may have left

const at = (id) => document.getElementById(id);
const base = `${settings.topic_root}/${settings.machine_id}`;
const model = new Model();
const record = new Record();
const section = new Section(at("section"));
const card = new Card();
const forms = new Forms();
const sound = new Sound();
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
  if (kind === "tip") record.take(message, model.arm?.slew_deg ?? null);
  if (kind === "state") record.startAnew(JSON.stringify(message.reference ?? null));
  if (kind !== "tip" && kind !== "arm" && kind !== "limits") showSlowly();
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
  showHeading({ ...context(), targetText, now });
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
  card.show({ state: model.state, say, blocked, send: (name, body) => commands.send(name, body) });
}

function frame(now) {
  requestAnimationFrame(frame);
  // The page's own watch: one that hears nothing has to notice by itself, and at once.
  const { kind } = model.figure(now);
  if (now - wordsAt >= WORDS_EVERY_MS || kind !== shownKind) {
    dirty ||= kind !== shownKind;
    wordsAt = now;
    shownKind = kind;
    showWords(now);
  }
  if (!dirty) return;
  const drawn = scene(context(), now, targetWords(model.state?.target, say, choices.units));
  dirty = section.draw(drawn, now);
  if (!at("known").hidden && now - trendAt >= TREND_EVERY_MS) {
    trendAt = now;
    drawTrend(at("trend"), { ...drawn, trend: record.trend });
  }
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
  document.documentElement.lang = say.language;
  for (const element of document.querySelectorAll("[data-text]")) setText(element, say(element.dataset.text));
  for (const element of document.querySelectorAll("[data-label]")) {
    element.setAttribute("aria-label", say(element.dataset.label));
  }
  showSlowly();
  showView();
  dirty = true;
}

// --- touches -----------------------------------------------------------------------------------------

/** Why commands cannot be sent from here at present, or null. */
function blocked() {
  if (settings.role === "display") return { key: "tool.read-only", role: settings.role };
  if (model.link.state !== "connected") return { key: "tool.no-link" };
  return null;
}

const screen = {
  choices,
  username: settings.username ?? "",
  set(name, value) {
    choices[name] = value;
    if (name === "sound") {
      sound.turn(value === "on");
      return; // a page may not sound by itself, so it is off again after a reload
    }
    saveChoices({ light: choices.light, units: choices.units, language: choices.language });
    if (name === "light") showLight();
    showTexts();
    if (name === "language") open(screenTool(screen));
  },
  signIn(username, password) {
    connect(username, password);
    at("form").close();
  },
};

function open(tool) {
  forms.open(tool, { say, units: choices.units, model, blocked, send: (name, body) => commands.send(name, body) });
}

function showTools() {
  const tools = [...TOOLS, screenTool(screen)];
  const nav = at("tools");
  if (nav.children.length !== tools.length) {
    nav.replaceChildren(...tools.map(() => make("button", { type: "button" }, make("span"), make("span", { class: "aside" }))));
  }
  tools.forEach((tool, i) => {
    const button = nav.children[i];
    button.dataset.tool = tool.id;
    button.onclick = () => open(tool);
    setText(button.children[0], say(tool.title));
    setText(button.children[1], tool.aside?.(context()) ?? "");
  });
}

function showView() {
  const next = section.mode === "follow" ? "whole" : "follow";
  setText(at("view"), say(`view.${next}`));
}

at("view").onclick = () => {
  section.mode = section.mode === "follow" ? "whole" : "follow";
  showView();
  dirty = true;
};

const fingers = new Map();
at("section").onpointerdown = (event) => {
  event.target.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, [event.offsetX, event.offsetY]);
};
at("section").onpointermove = (event) => {
  const from = fingers.get(event.pointerId);
  if (!from) return;
  const to = [event.offsetX, event.offsetY];
  const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
  const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
  const factor = other && apart(from) > 10 ? apart(to) / apart(from) : 1;
  section.nudge(to[0] - from[0], to[1] - from[1], factor);
  fingers.set(event.pointerId, to);
  showView();
  dirty = true;
};
at("section").onpointerup = at("section").onpointercancel = (event) => fingers.delete(event.pointerId);
at("section").onwheel = (event) => {
  event.preventDefault();
  section.nudge(0, 0, Math.exp(-event.deltaY / 500));
  showView();
  dirty = true;
};

matchMedia("(prefers-color-scheme: dark)").onchange = showLight;
new ResizeObserver(() => { dirty = true; }).observe(at("section"));

showLight();
showTexts();
connect(settings.username || undefined, undefined);
requestAnimationFrame(frame);
