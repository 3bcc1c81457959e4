// Every text of the page, by key. A language is one file, texts/<language>.json, with the keys of English; the
// same file serves terminal and report. Sentences of the service come as a code with values: `say.<code>`.

import { UNIT_SETS, lengthText, percentText } from "./units.js";

export const LANGUAGES = {};

/** Fetches the catalogues; what cannot be had is left out, and English stands in. */
export async function loadLanguages(names = ["en", "de"]) {
  await Promise.all(names.map(async (name) => {
    const answer = await fetch(new URL(`texts/${name}.json`, import.meta.url)).catch(() => null);
    if (answer?.ok) LANGUAGES[name] = await answer.json();
  }));
}

/** The language to start with: the chosen one, else the first of the browser's that there is, else English. */
export function pickLanguage(chosen, browser) {
  return [chosen, ...browser].map((tag) => (tag ?? "").slice(0, 2)).find((tag) => tag in LANGUAGES) ?? "en";
}

/** A function that says a key in a language, with `{name}` filled in. */
export function speaker(language) {
  const texts = LANGUAGES[language] ?? {};
  const say = (key, values = {}) => {
    const text = texts[key] ?? LANGUAGES.en?.[key];
    if (text === undefined) return key;
    return text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  };
  say.language = language;
  say.comma = texts["decimal"] === ",";
  say.has = (key) => key in texts;
  say.knows = (key) => key in texts || key in (LANGUAGES.en ?? {});
  say.decimal = (text) => (say.comma ? text.replace(/(\d)\.(\d)/g, "$1,$2") : text);
  return say;
}

/** A word of the service, such as a point of the arm, in the page's language where the catalogue knows it. */
export function sayWord(say, word) {
  const key = `word.${word}`;
  return say.knows(key) ? say(key) : word;
}

/** A mark's name; one that nobody named is called by the service. */
export function sayMark(say, name) {
  const [, n] = /^mark (\d+)$/.exec(name) ?? [];
  return n === undefined ? name : say("mark.unnamed", { n });
}

/** A kind of fault, by its English words. */
export function sayFault(say, kind) {
  const key = `say.kind-${kind.replaceAll(" ", "-")}`;
  return say.knows(key) ? say(key) : kind;
}

/**
 * What the service says, in the page's language and units: `parts` as messages carry them, code and values each;
 * `text` in English where there are none, or one of their codes is not in the catalogue.
 */
export function saySaid(say, parts, text = "") {
  if (!parts?.length || parts.some(({ code }) => code && !say.knows(`say.${code}`))) return text;
  const one = ({ code, values }) => (code ? withCommands(say, say(`say.${code}`, written(say, values))) : values.text);
  return parts.map(one).join("");
}

/** Several sentences, such as the reasons of a message: `[text, …]`. */
export function sayEach(say, parts, texts = []) {
  return texts.map((text, i) => saySaid(say, parts?.[i], text));
}

/** The answer to a command. */
export function sayReply(say, { text, said }) {
  return saySaid(say, said, text);
}

/** Commands stand in brackets; here they are the buttons that send them. */
function withCommands(say, text) {
  return text.replace(/\[([a-z]+\/[a-z-]+)\]/g, (whole, name) => sayCommand(say, name));
}

function sayCommand(say, name) {
  const label = say.labels?.[name];
  return label ? say("command.button", { label: say(label) }) : name;
}

/** A key of a command, as the field that fills it is called here. */
function sayKey(say, command, key) {
  const label = say.fields?.[`${command} ${key}`];
  return label ? say(label) : key;
}

/** Values that are numbers although they came as text. */
const COUNTED = ["age", "seconds"];

/** Values that are words of the service; all other texts are names that people gave. */
const WORDS = ["kind", "body", "question", "asked", "whose", "found", "told", "expected", "unit"];

/** How numbers are written, by the end of their names, as in tipdatum.sentences; the first that fits. */
const WAYS = [
  ["_signed_m", (say, v) => length(say, v, "short", { sign: true })],
  ["_tenths_m", (say, v) => (UNIT_SETS[say.units]?.entry === "ft" ? `${(v / 0.0254).toFixed(2)} in` : `${(v * 1000).toFixed(1)} mm`)],
  ["_fine_m", (say, v) => length(say, v, "short")],
  ["_number_mm", (say, v) => length(say, v / 1000, "short").split(" ")[0]],
  ["_coarse_m", (say, v) => length(say, v, "long", { step: 0.01 })],
  ["_whole_m", (say, v) => length(say, v, "long", { step: 1 })],
  ["_bare_m", (say, v) => length(say, v, "long").split(" ")[0]],
  ["_m", (say, v) => length(say, v, "long")],
  ["_m3", (say, v) => `${v.toFixed(2)} m³`],
  ["_fine_mps", (say, v) => `${length(say, v, "short")}/s`],
  ["_mps", (say, v) => `${v.toFixed(2)} m/s`],
  ["_grade", (say, v) => percentText(Math.abs(v), say.comma)],
  ["_share", (say, v) => `${Math.round(100 * v)} %`],
  ["_whole_deg", (say, v) => `${v}°`],
  ["_deg", (say, v) => `${v.toFixed(1)}°`],
  ["_min", (say, v) => `${v.toFixed(0)} min`],
  ["_whole_s", (say, v) => `${v} s`],
  ["_s", (say, v) => `${v.toFixed(1)} s`],
  ["_kv", (say, v) => `${v} kV`],
];

function length(say, metres, kind, options) {
  return lengthText(metres, kind, say.units ?? "mm", { comma: say.comma, ...options });
}

function written(say, values) {
  const one = (name, value) => {
    if (Array.isArray(value)) return value.map((parts) => saySaid(say, parts)).join("; ");
    if (name === "command") return sayCommand(say, value);
    if (name === "mark") return sayMark(say, value);
    if (name === "key") return sayKey(say, values.command, value);
    if (COUNTED.includes(name) && /^\d+(\.\d+)?$/.test(value)) return say.decimal(value);
    if (typeof value !== "number") return WORDS.includes(name) ? sayWord(say, value) : String(value);
    const way = WAYS.find(([end]) => name.endsWith(end));
    return say.decimal(way ? way[1](say, value) : String(value)).replace(/^-/, "−");
  };
  return Object.fromEntries(Object.entries(values).map(([name, value]) => [name, one(name, value)]));
}
