// Every text of the page, by key. A language is one file in texts/ with the same keys as English.
// Sentences that the service itself writes (answers, reasons, cautions) come as it sends them.

import { de } from "./texts/de.js";
import { en } from "./texts/en.js";

export const LANGUAGES = { en, de };

/** The language to start with: the chosen one, else the first of the browser's that there is, else English. */
export function pickLanguage(chosen, browser) {
  return [chosen, ...browser].map((tag) => (tag ?? "").slice(0, 2)).find((tag) => tag in LANGUAGES) ?? "en";
}

/** A function that says a key in a language, with `{name}` filled in. */
export function speaker(language) {
  const texts = LANGUAGES[language];
  const say = (key, values = {}) => {
    const text = texts[key] ?? en[key];
    if (text === undefined) return key;
    return text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  };
  say.language = language;
  say.comma = texts["decimal"] === ",";
  say.has = (key) => key in texts;
  return say;
}

/** A reason of the service, in the page's language where the catalogue knows it. */
export function sayReason(say, reason) {
  const key = `reason.${reason}`;
  return say.has(key) ? say(key) : reason;
}
