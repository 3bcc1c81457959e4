// A calibration step by step: shows what `tipdatum guide` says on the bus, and sends what a person does.
// Nothing is kept here: what the guide has not said it kept is not kept.

import { make, setText } from "../dom.js";
import { MqttClient } from "../mqtt.js";
import { loadChoices, loadSettings } from "../settings.js";
import { loadLanguages, pickLanguage, speaker } from "../texts.js";
import { showBook } from "./book.js";
import { drawArm, drawBob, drawLoose } from "./drawings.js";
import { showTask } from "./task.js";

const OLD_AFTER_MS = 2500; // the guide speaks twice a second
const ANSWER_WITHIN_MS = 6000;

const at = (id) => document.getElementById(id);
const settings = await loadSettings();
await loadLanguages(settings.languages);
const choices = { light: "auto", language: settings.language, ...loadChoices(), ...settings.asked };
const say = speaker(pickLanguage(choices.language, navigator.languages));
document.documentElement.lang = say.language;
const dark = matchMedia("(prefers-color-scheme: dark)").matches;
document.documentElement.dataset.light = choices.light === "auto" ? (dark ? "night" : "sun") : choices.light;
document.title = say("guide.title");
for (const element of document.querySelectorAll("[data-text]")) setText(element, say(element.dataset.text));
for (const element of document.querySelectorAll("[data-label]")) element.setAttribute("aria-label", say(element.dataset.label));

const base = `${settings.topic_root}/${settings.machine_id}`;
const state = { view: null, heardAt: -Infinity, link: "connecting", reason: "", waiting: null, next: null, answer: "", signIn: false };
let client;

function connect(username, password) {
  client?.stop();
  client = new MqttClient(settings.websocket, { username, password });
  client.subscribe(`${base}/guide`, 1);
  client.onState = (link, reason) => {
    Object.assign(state, { link, reason });
    state.signIn = link === "refused";
    show();
  };
  client.onMessage = (topic, payload) => {
    try {
      take(JSON.parse(new TextDecoder().decode(payload)));
    } catch {
      // somebody else's message
    }
  };
  client.start();
}

function take(view) {
  Object.assign(state, { view, heardAt: performance.now() });
  if (state.waiting && view.reply?.request_id === state.waiting.request_id) {
    const { reply } = view;
    clearTimeout(state.waiting.timer);
    state.answer = reply.ok ? "" : say.has(reply.code) ? say(reply.code) : reply.text;
    const { next } = state;
    Object.assign(state, { waiting: null, next: null });
    if (next && reply.ok) return act(next);
  }
  show();
}

/**
 * Sends what a person did; the same request goes again until the guide answers or time is up. A touch while an
 * answer is awaited is not lost: the last one follows the answer, unless that was a refusal.
 */
function act(request) {
  if (state.waiting) {
    state.next = request;
    return;
  }
  const request_id = Math.random().toString(36).slice(2) + Date.now().toString(36);
  const body = JSON.stringify({ ...request, request_id });
  const send = () => client.publish(`${base}/guide/do`, body, { qos: 1 }).catch(() => {});
  const begun = performance.now();
  const again = () => {
    if (!state.waiting) return;
    if (performance.now() - begun > ANSWER_WITHIN_MS) {
      Object.assign(state, { waiting: null, next: null });
      state.answer = say("guide.no-answer");
      show();
      return;
    }
    send();
    state.waiting.timer = setTimeout(again, 1500);
  };
  state.answer = "";
  state.waiting = { request_id, timer: setTimeout(again, 1500) };
  send();
  show();
}

function lost() {
  if (state.link !== "connected") return "guide.link-lost";
  if (performance.now() - state.heardAt > OLD_AFTER_MS) return "guide.not-running";
  return state.view?.stage === "ended" ? "guide.ended" : "";
}

function show() {
  const missing = lost();
  const context = { say, at, act, settings, state, missing, connect };
  setText(at("machine"), state.view?.machine ?? settings.machine_id);
  setText(at("setup"), state.view?.standing ? say("guide.standing", { name: state.view.standing }) : "");
  showTask(context);
  showBook(context);
  const view = missing ? null : state.view;
  if (view?.lies) drawLoose(at("arm"), view.lies, say);
  else drawArm(at("arm"), view, say);
  drawBob(at("bob"), view);
}

setInterval(() => lost() && show(), 500);
connect();
show();
