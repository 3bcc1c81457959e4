// Every text of the page, by key. A language is one file, texts/<language>.json, with the keys of English; the
// same file serves terminal and report. Sentences of the service come as a code with values: `say.<code>`.

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

/** What the service answers, in the page's language where its code is in the catalogue, else in its own words. */
export function sayReply(say, { text, code, values }) {
  return code && say.has(`say.${code}`) ? say(`say.${code}`, sayValues(say, values ?? {})) : text;
}

/** The values of a sentence: numbers with this language's decimal sign. */
function sayValues(say, values) {
  const written = (value) => (typeof value === "string" && say.comma ? value.replace(/(\d)\.(\d)/g, "$1,$2") : value);
  return Object.fromEntries(Object.entries(values).map(([name, value]) => [name, written(value)]));
}
