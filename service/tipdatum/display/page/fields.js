// The fields of a form: how each is drawn, read, and said back before it is sent.

import { make } from "./dom.js";
import { UNIT_SETS, lengthText, parseGrade, parseLength, percentText } from "./units.js";

const NUMERIC = ["length", "grade", "angle", "number"];
const NUMBER = /^[+-]?(?:\d+(?:\.\d*)?|\.\d+)$/;

function plainNumber(typed) {
  const text = typed.trim().replace(/[−–]/g, "-").replace(",", ".").replace(/\s*(°|deg|kV)$/i, "");
  return NUMBER.test(text) ? { value: Number(text) } : { error: "unreadable" };
}

/** Reads a field: `{value}` in SI, `{absent: true}`, or `{error}` as a key of the catalogue. */
export function readField(field, typed, units) {
  if (!typed.trim()) return field.optional ? { absent: true } : { error: "empty" };
  if (field.kind === "length") {
    const { metres, error } = parseLength(typed, UNIT_SETS[units].entry);
    return error ? { error } : { value: Math.round(metres * 1e6) / 1e6 };
  }
  if (field.kind === "grade") {
    const { ratio, error, hint } = parseGrade(typed);
    return error ? { error, hint } : { value: Math.round(ratio * 1e8) / 1e8 };
  }
  if (field.kind === "angle" || field.kind === "number") return plainNumber(typed);
  if (field.kind === "table") return readTable(typed, units);
  return { value: typed.trim() };
}

/** Rows of two lengths, in the units that are set: "5; 23,05", "5, 23.05" or "5 23.05". */
export function readTable(typed, units) {
  const rows = [];
  for (const line of typed.split("\n").map((one) => one.trim()).filter(Boolean)) {
    const parts = /[;\t]/.test(line) ? line.split(/[;\t]/) : /,\s/.test(line) ? line.split(/,\s+/) : line.split(/\s+/);
    const read = parts.map((part) => parseLength(part, UNIT_SETS[units].entry));
    if (read.length !== 2 || read.some(({ error }) => error)) return { error: "unreadable", typed: line };
    rows.push(read.map(({ metres }) => Math.round(metres * 1e6) / 1e6));
  }
  return rows.length ? { value: rows } : { error: "empty" };
}

/** What was read, said back, so that a slip is seen before it is sent. */
function meaning(field, value, { units, say }) {
  if (field.kind === "length") {
    const other = UNIT_SETS[units].entry === "m" ? "ft-in" : "m";
    const own = lengthText(value, "long", units, { comma: say.comma });
    return say("entry.means", { value: `${own} (${lengthText(value, "long", other, { comma: say.comma })})` });
  }
  if (field.kind === "grade") return say("entry.means", { value: percentText(value, say.comma) });
  return "";
}

/** An input with its label, what was understood, and chips that fill it. */
function entry(field, context) {
  const { say, units, model } = context;
  const numeric = NUMERIC.includes(field.kind);
  const many = field.kind === "table";
  // Numbers with this language's sign; a name stays as somebody gave it.
  const written = (text) => (numeric ? say.decimal(text) : text);
  const hint = make("span", { class: "hint" });
  const example = say(`entry.example.${field.kind}${many && UNIT_SETS[units].entry === "ft" ? ".ft" : ""}`);
  const input = make(many ? "textarea" : "input", {
    name: field.name, type: many ? null : field.kind === "secret" ? "password" : "text", rows: many ? 4 : null,
    autocomplete: "off", spellcheck: "false", value: written(field.initial?.(model) ?? ""),
    inputmode: numeric ? "none" : "text", "data-keys": numeric || many ? "figures" : "letters",
    placeholder: field.optional ? say("entry.optional") : numeric || many ? example : "",
  });
  const complain = (error, more) => {
    hint.textContent = say(`entry.${error}`, { typed: input.value, example: more ?? example });
    hint.className = "wrong";
    input.setAttribute("aria-invalid", "true");
  };
  const read = () => readField(field, input.value, units);
  input.oninput = () => {
    const { value, error, hint: more } = read();
    input.removeAttribute("aria-invalid");
    hint.className = "hint";
    if (error && error !== "empty") complain(error, more);
    else hint.textContent = value === undefined ? "" : meaning(field, value, context);
  };
  const suggestions = field.suggest?.(model) ?? [];
  const chips = suggestions.length
    ? make("div", { class: "row chips" }, ...suggestions.map(written).map((text) => make("button", {
      type: "button", onclick: () => { input.value = text; input.oninput(); },
    }, text)))
    : null;
  const label = say(field.label) + (many ? `, ${UNIT_SETS[units].entry}` : "");
  return {
    element: make("div", { class: "row-of-entry" }, make("label", { class: "entry" }, label, input, hint), chips),
    read, complain,
  };
}

/** One of several; none is chosen in advance unless the field says which. */
function choice(field, context) {
  const { say, model } = context;
  const options = typeof field.choices === "function" ? field.choices(model, say) : field.choices;
  const chosen = field.initial?.(model);
  const radios = options.map(({ value, label, text }) => {
    const radio = make("input", { type: "radio", name: field.name, value, checked: value === chosen });
    radio.onchange = () => field.changed?.(value);
    return make("label", {}, radio, make("span", {}, text ?? say(label)));
  });
  const hint = make("span", { class: "hint" });
  const group = make("div", { class: "row choice", role: "radiogroup", "aria-label": say(field.label) }, ...radios);
  group.onchange = () => { hint.textContent = ""; hint.className = "hint"; };
  const read = () => {
    const value = group.querySelector("input:checked")?.value;
    return value === undefined || value === "" ? (field.optional ? { absent: true } : { error: "choose" }) : { value };
  };
  const complain = () => {
    hint.textContent = say("entry.choose");
    hint.className = "wrong";
  };
  return { element: make("div", { class: "row-of-entry" }, make("div", {}, say(field.label)), group, hint), read, complain };
}

/** The control of a field: `{element, read(), complain(error, hint)}`. */
export function control(field, context) {
  return field.kind === "choice" ? choice(field, context) : entry(field, context);
}
