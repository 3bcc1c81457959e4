// Every text of the page, by key. A language is one file, texts/<language>.json, with the keys of English; the
// same file serves terminal and report. Sentences of the service come as a code with values: `say.<code>`.

import { lengthText } from "./units.js";

export const LANGUAGES = {};

/** Fetches the catalogues; what cannot be had is left out, and English stands in. */
export async function loadLanguages(names = ["en", "de"]) {
  await Promise.all(names.map(async (name) => {
    const answer = await fetch(`texts/${name}.json`).catch(() => null);
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
  say.decimal = (text) => (say.comma ? text.replace(/(\d)\.(\d)/g, "$1,$2") : text);
  return say;
}

/** A short reason of the service, in the page's language where the catalogue knows it. */
export function sayReason(say, reason) {
  const key = `reason.${reason}`;
  return say.has(key) ? say(key) : reason;
}

/** What the service answers, part by part: in the page's language and units where its code is in the catalogue. */
export function sayReply(say, { text, said }) {
  if (!said?.length || !said.some(({ code }) => code && say.has(`say.${code}`))) return text;
  return said.map(({ code, values }) => (code && say.has(`say.${code}`) ? say(`say.${code}`, written(say, values)) : values.text ?? "")).join("");
}

/** Values as this language and the chosen units write them, by the end of their names (tipdatum.sentences). */
function written(say, values) {
  const length = (metres, kind, options) => lengthText(metres, kind, say.units ?? "mm", { comma: say.comma, ...options });
  const one = (name, value) => {
    if (typeof value !== "number") return say.has(`word.${value}`) ? say(`word.${value}`) : say.decimal(String(value));
    if (name.endsWith("_signed_m")) return length(value, "short", { sign: true });
    if (name.endsWith("_fine_m")) return length(value, "short");
    if (name.endsWith("_number_mm")) return length(value / 1000, "short").split(" ")[0];
    if (name.endsWith("_m")) return length(value, "long");
    if (name.endsWith("_whole_s")) return `${value} s`;
    if (name.endsWith("_s")) return say.decimal(`${value.toFixed(1)} s`);
    return String(value);
  };
  return Object.fromEntries(Object.entries(values).map(([name, value]) => [name, one(name, value)]));
}
