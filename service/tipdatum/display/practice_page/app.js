// The practice machine's page: hands in, pictures out. It speaks to the machine over topics beside the service's,
// hears what the service publishes like any display, and shows the display itself in a frame.

import { MqttClient } from "../mqtt.js";
import { Levers, MORE, drawLever, drawSmallLever } from "./levers.js";
import { Plan } from "./plan.js";
import { drawSide } from "./side.js";
import { SigmaStrip, SLOW_MPS } from "./sigma.js";
import { loadChoices } from "../settings.js";
import { loadLanguages, pickLanguage, sayEach, sayReply, saySaid, sayWord, speaker } from "../texts.js";

const SEND_MS = 50; // between two words about where the levers stand
const PATTERNS = {
  iso: { left: ["stick-out", "stick-in", "slew-left", "slew-right"], right: ["boom-down", "boom-up", "curl", "dump"] },
  backhoe: { left: ["boom-down", "boom-up", "slew-left", "slew-right"], right: ["stick-out", "stick-in", "curl", "dump"] },
};

const el = (id) => document.getElementById(id);
const style = getComputedStyle(document.documentElement);
const colour = (name) => style.getPropertyValue(`--${name}`).trim();
const ink = {
  ...Object.fromEntries(["paper", "ink", "quiet", "faint", "target", "tip", "raised", "edge", "sky", "soil"].map((n) => [n, colour(n)])),
  ground: colour("soil-dark"), deep: "#8a6c42", steel: "#d5d2c4", glass: "#dfe8e6",
};

const settings = await fetch("../settings.json").then((answer) => answer.json());
await loadLanguages(settings.languages);
const language = new URLSearchParams(location.search).get("language") ?? loadChoices().language ?? settings.language;
const say = speaker(pickLanguage(language, navigator.languages));
document.documentElement.lang = say.language;
document.title = say("practice.title");
for (const element of document.querySelectorAll("[data-text]")) element.textContent = say(element.dataset.text);
for (const element of document.querySelectorAll("[data-label]")) element.setAttribute("aria-label", say(element.dataset.label));
for (const element of document.querySelectorAll("[data-title]")) element.title = say(element.dataset.title, { key: element.dataset.key });
const base = `practice/${settings.machine_id}`, service = `${settings.topic_root}/${settings.machine_id}`;
const state = { scene: null, view: null, tip: null, levers: null, pattern: localStorage.getItem("practice-pattern") === "backhoe" ? "backhoe" : "iso" };
globalThis.practice = state; // for tests and for the curious
const plan = new Plan(), strip = new SigmaStrip(), levers = new Levers({ left: el("left"), right: el("right") });
const decode = (payload) => JSON.parse(new TextDecoder().decode(payload));

let leverWords = { left: [], right: [] };
let small = []; // levers of the joints that this machine has more: {name, pad, words}

/** A scenario's own words in the reader's language, where it is a shipped one. */
function scenario(text) {
  return say.knows(`scenario.${text}`) ? say(`scenario.${text}`) : text;
}

const client = new MqttClient(settings.websocket.replace("{host}", location.hostname), { clientId: `practice-${Math.random().toString(36).slice(2, 8)}` });
for (const topic of [`${base}/scene`, `${base}/view`, `${service}/tip`, `${service}/reply`, `${service}/event`]) client.subscribe(topic);
client.onState = (now, reason) => {
  if (now === "connected") wish({ do: "repaint" });
  else if (now !== "connecting") tell(say("practice.no-broker", { why: reason }), "no");
};
client.onMessage = (topic, payload) => {
  if (topic === `${base}/view`) takeView(decode(payload));
  else if (topic === `${base}/scene`) takeScene(decode(payload));
  else if (topic === `${service}/tip`) takeTip(decode(payload));
  else if (topic === `${service}/reply`) takeReply(decode(payload));
  else if (topic === `${service}/event`) takeEvent(decode(payload));
};
client.start();
el("display").src = `../?view=glance&language=${say.language}`;

function wish(what) {
  client.publish(`${base}/wish`, JSON.stringify(what), { qos: 1 }).catch(() => tell(say("practice.out-of-reach"), "no"));
}

// What has been asked for and not yet been seen on the machine: whoever presses a key twice means the second press
// to undo the first, however long the machine takes to answer.
const asked = new Map();

function toggled(key, shown) {
  if (asked.has(key) && (asked.get(key).to === shown || performance.now() - asked.get(key).at > 2000)) asked.delete(key);
  const to = !(asked.get(key)?.to ?? shown);
  asked.set(key, { to, at: performance.now() });
  return to;
}

function tell(text, kind = "yes") {
  el("say").textContent = text;
  el("say").dataset.kind = kind;
}

// --- what comes in ------------------------------------------------------------------------------------

function takeScene(scene) {
  state.scene = scene;
  el("name").textContent = scenario(scene.name);
  el("task").textContent = scenario(scene.task?.text ?? scene.about);
  const asked = scene.task ?? {}, dig = "depth_m" in asked;
  for (const id of ["begin", "end"]) el(id).hidden = !scene.task;
  el("target").hidden = !dig;
  el("within").parentElement.hidden = !dig;
  for (const [id, word] of [["done", dig ? "dug" : "loaded"], ["over", dig ? "too-deep" : "beside"]]) el(id).previousElementSibling.textContent = say(`practice.${word}`);
  el("sensor").replaceChildren(...scene.sensors.map(({ name }) => new Option(name, name)));
  el("faults").replaceChildren(...scene.faults.map((kind, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.fault = kind;
    button.setAttribute("aria-pressed", "false");
    button.title = say("practice.key", { key: i + 1 });
    button.innerHTML = `${say(`practice.fault.${kind}`)} <kbd>${i + 1}</kbd>`;
    button.onclick = () => toggleFault(kind);
    return button;
  }));
  showMore(scene.more);
  tell(say("practice.begin-with"));
}

/** A small lever for each joint that only some machines have. */
function showMore(names) {
  if (small.map(({ name }) => name).join() === names.join()) return;
  small = names.map((name) => {
    const pad = Object.assign(document.createElement("canvas"), { tabIndex: -1 });
    pad.setAttribute("role", "img");
    pad.setAttribute("aria-label", say(`practice.more.${name}`));
    levers.add(name, pad);
    return { name, pad, words: ["left", "right"].map((end) => say(`practice.more.${name}.${end}`)) };
  });
  el("more").replaceChildren(...small.map(({ pad }) => pad));
  el("more").hidden = !small.length;
  el("more-keys").innerHTML = small.map(({ name }) => `· ${say(`practice.more.${name}`)} ${MORE[name].map((key) => `<kbd>${key}</kbd>`).join("")} `).join("");
}

function takeView(view) {
  const before = state.view;
  state.view = view;
  if (!state.scene) return;
  plan.take(view.squares, state.scene);
  if (view.message && JSON.stringify(view.message) !== JSON.stringify(before?.message)) tell(whyNot(view.message), "no");
  showScore(view);
  showFaults(view);
}

/** Why a wish was not fulfilled: the machine tells a code, the service its own sentence. */
function whyNot({ code, height_m: height, text, said }) {
  if (text !== undefined) return saySaid(say, said, text);
  return say(`practice.says.${code}`, { height: height === undefined ? "" : say.decimal(height.toFixed(2)) });
}

function takeTip(tip) {
  state.tip = { ...tip, at: performance.now() };
  if (state.view) strip.take(tip.elevation_m, tip.sigma_m, state.view.tip[2], state.view.speed);
}

function takeReply(reply) {
  state.answered = performance.now();
  tell(sayReply(say, reply), reply.ok ? "yes" : "no");
}

function takeEvent(event) {
  // An answer stays to be read; what happened because of the order follows it at once and says the same.
  if (event.text && performance.now() - (state.answered ?? -Infinity) > 3000) tell(saySaid(say, event.said, event.text), "no");
}

// --- what is shown ------------------------------------------------------------------------------------

function showScore({ score, load, truck_m3: truck }) {
  el("load").textContent = `${Math.round(100 * load)} %` + (truck ? `, ${say("practice.truck", { volume: say.decimal(truck.toFixed(1)) })}` : "");
  if (!score) return;
  const minutes = Math.floor(score.seconds / 60), seconds = Math.floor(score.seconds % 60);
  el("seconds").textContent = score.state === "waiting" ? "–" : `${minutes}:${String(seconds).padStart(2, "0")}`;
  el("done").textContent = `${Math.round(100 * score.done)} %`;
  el("within").textContent = `${Math.round(100 * (score.within ?? 0))} %`;
  el("over").textContent = say.decimal(`${score.over_m3.toFixed(2)} m³`);
  el("begin").disabled = score.state === "running";
  el("end").disabled = score.state !== "running";
  if (score.state === "done" && state.ending) {
    state.ending = false;
    showResult(score);
  }
}

function showFaults({ faults, torn }) {
  const on = faults[el("sensor").value] ?? [];
  for (const button of el("faults").children) button.setAttribute("aria-pressed", String(on.includes(button.dataset.fault)));
  el("line").setAttribute("aria-pressed", String(torn));
}

function showSigma() {
  const shown = Number(el("truth").value) / 100, tip = state.tip, view = state.view;
  strip.draw(el("sigma"), shown, ink, say);
  if (!tip || !view) return;
  if (tip.elevation_m === null || performance.now() - tip.at > 500) {
    el("sigma-words").textContent = say("practice.no-figure", { why: sayEach(say, tip.reasons_said, tip.reasons).join(", ") || say(`terminal.quality.${tip.quality}`) });
    return;
  }
  const mm = (m) => `${m < 0 ? "−" : "+"}${Math.abs(Math.round(1000 * m))} mm`;
  const metres = (value) => say.decimal(value.toFixed(3)).replace("-", "−");
  const words = [`${metres(tip.elevation_m)} m ± ${Math.round(1000 * tip.sigma_m)} mm (${say(`terminal.quality.${tip.quality}`)})`];
  if (shown > 0) {
    const [one, two] = strip.shares;
    if (view.speed < SLOW_MPS) words.push(say("practice.true", { height: metres(view.tip[2]), off: mm(tip.elevation_m - view.tip[2]) }));
    if (one !== null) words.push(say("practice.shares", { one: Math.round(100 * one), two: Math.round(100 * two) }));
  }
  el("sigma-words").textContent = words.join("; ");
}

function showResult(score) {
  el("points").textContent = score.points;
  const task = state.scene.task, time = ["practice.time", say("practice.time.value", { seconds: Math.round(score.seconds), par: Math.round(task.par_s) })];
  const rows = score.kind === "load" ? [
    time,
    ["practice.loaded", say("practice.loaded.value", { share: Math.round(100 * score.done), volume: say.decimal(task.planned_m3.toFixed(1)) })],
    ["practice.beside", say.decimal(`${score.over_m3.toFixed(2)} m³`)],
  ] : [
    time,
    ["practice.dug", say("practice.dug.value", { share: Math.round(100 * score.done), volume: say.decimal(task.planned_m3.toFixed(2)) })],
    ["practice.within", say("practice.within.value", { share: Math.round(100 * score.within), band: Math.round(1000 * task.tolerance_m) })],
    ["practice.too-deep", say("practice.too-deep.value", { volume: say.decimal(score.over_m3.toFixed(2)), deepest: Math.round(1000 * score.deepest_m) })],
  ];
  el("result-figures").replaceChildren(...rows.map(([name, value]) => {
    const row = document.createElement("div");
    row.append(Object.assign(document.createElement("dt"), { textContent: say(name) }), Object.assign(document.createElement("dd"), { textContent: value }));
    return row;
  }));
  el("points-how").textContent = say(score.kind === "load" ? "practice.points.how-load" : "practice.points.how");
  el("report-words").textContent = "";
  el("result").showModal();
}

let last = performance.now(), sent = 0, moved = false, drawn = null;
function frame(now) {
  requestAnimationFrame(frame); // first, so that one picture that fails is not the last
  const at = levers.read(Math.min(0.1, (now - last) / 1000));
  last = now;
  state.levers = at;
  const busy = [...at.left, ...at.right, ...at.tracks, ...Object.values(at.more)].some((v) => Math.abs(v) > 0.01);
  if (client.connected && now - sent >= SEND_MS && (busy || moved)) {
    client.publish(`${base}/levers`, JSON.stringify({ pattern: state.pattern, ...at })).catch(() => {});
    sent = now;
    moved = busy;
  }
  const { left, right } = leverWords;
  if (busy || moved || state.view !== drawn) {
    drawLever(el("left"), at.left, left, ink);
    drawLever(el("right"), at.right, right, ink);
    for (const { name, pad, words } of small) drawSmallLever(pad, name, at.more[name], words, ink);
  }
  if (state.scene && state.view && state.view !== drawn) { // a picture for each view, not for each frame of the screen
    drawn = state.view;
    drawSide(el("side"), state.scene, state.view, ink, say);
    plan.draw(el("plan"), state.scene, state.view, ink, say);
    showSigma();
  }
}
requestAnimationFrame(frame);

// --- what hands do beside the levers -------------------------------------------------------------------

function toggleFault(kind) {
  const sensor = el("sensor").value, names = state.scene.sensors.map(({ name }) => name);
  const other = names[(names.indexOf(sensor) + 1) % names.length];
  const over = !toggled(`${kind} ${sensor}`, (state.view.faults[sensor] ?? []).includes(kind));
  wish({ do: "fault", kind, sensor, over, ...(kind === "swap" ? { other } : {}) });
  const whose = kind === "swap" ? say("practice.both", { sensor, other }) : sensor;
  const what = `${say(`practice.fault.${kind}`)}: ${whose}`;
  tell(say(over ? "practice.fault-over" : "practice.fault-begun", { what }), over ? "yes" : "no");
}

function setPattern(pattern) {
  state.pattern = pattern;
  localStorage.setItem("practice-pattern", pattern);
  el("pattern").innerHTML = `${say("practice.levers", { pattern: say(`practice.pattern.${pattern}`) })} <kbd>P</kbd>`;
  leverWords = Object.fromEntries(Object.entries(PATTERNS[pattern]).map(([side, ways]) => [side, ways.map((way) => say(`practice.way.${way}`))]));
}

const tearLine = () => wish({ do: "line", out: toggled("line", state.view?.torn ?? false) });
el("reference").onclick = () => wish({ do: "reference" });
el("target").onclick = () => wish({ do: "target" });
el("begin").onclick = () => wish({ do: "begin" });
el("end").onclick = () => { state.ending = true; wish({ do: "end" }); };
el("line").onclick = tearLine;
el("pattern").onclick = () => setPattern(state.pattern === "iso" ? "backhoe" : "iso");
el("close").onclick = () => el("result").close();
el("report").onclick = async () => {
  const words = el("report-words");
  words.textContent = say("day.writing");
  let told = await fetch("../report.json", { method: "POST" }).then((answer) => (answer.ok ? answer.json() : null)).catch(() => null);
  while (told?.state === "writing") {
    await new Promise((done) => setTimeout(done, 500));
    told = await fetch("../report.json").then((answer) => answer.json()).catch(() => null);
  }
  if (!told || told.state !== "ready") words.textContent = [say("day.failed"), told?.text].filter(Boolean).join(" ");
  else words.replaceChildren(Object.assign(document.createElement("a"), { href: "../report.html", target: "_blank", rel: "noopener", textContent: say("practice.open-report") }));
};
// Hands go back to the levers once something has been chosen: its keys are theirs.
for (const id of ["sensor", "truth"]) el(id).addEventListener("change", () => el(id).blur());
addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.altKey || event.metaKey || !state.scene) return;
  if (event.target instanceof Element && event.target.matches("select, input")) return;
  const fault = /^Digit([1-9])$/.exec(event.code);
  if (fault && state.scene.faults[fault[1] - 1]) toggleFault(state.scene.faults[fault[1] - 1]);
  else if (event.code === "Digit0") tearLine();
  else if (event.code === "KeyM") el("reference").click();
  else if (event.code === "KeyP") el("pattern").click();
});
setPattern(state.pattern);
