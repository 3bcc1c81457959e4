// The forms behind the tools. A form is data (see tools/index.js); this module draws it, reads what was typed,
// sends the command and shows the answer where the finger is.

import { make } from "./dom.js";
import { buildKeypad } from "./keypad.js";
import { UNIT_SETS, lengthText, parseGrade, parseLength, percentText } from "./units.js";

const CONTROLS = { length: entry, grade: entry, name: entry, secret: entry, table, choice };

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
  return { value: typed.trim() };
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

function entry(field, context) {
  const { say } = context;
  const numeric = field.kind === "length" || field.kind === "grade";
  const hint = make("span", { class: "hint" });
  const initial = field.initial?.(context.model) ?? "";
  const input = make("input", {
    name: field.name, type: field.kind === "secret" ? "password" : "text", autocomplete: "off", spellcheck: "false",
    value: initial, inputmode: numeric ? "none" : "text", "data-numeric": numeric,
    placeholder: field.optional ? say("entry.optional") : numeric ? say(`entry.example.${field.kind}`) : "",
  });
  const complain = (error, more) => {
    const example = more ?? say(`entry.example.${field.kind}`);
    hint.textContent = say(`entry.${error}`, { typed: input.value, example });
    hint.className = "wrong";
    input.setAttribute("aria-invalid", "true");
  };
  const read = () => readField(field, input.value, context.units);
  input.oninput = () => {
    const { value, error, hint: more } = read();
    input.removeAttribute("aria-invalid");
    hint.className = "hint";
    if (error && error !== "empty") complain(error, more);
    else hint.textContent = value === undefined ? "" : meaning(field, value, context);
  };
  const suggestions = field.suggest?.(context.model) ?? [];
  const chips = suggestions.length
    ? make("div", { class: "row" }, ...suggestions.map((text) => make("button", {
      type: "button", onclick: () => { input.value = text; input.oninput(); },
    }, text)))
    : null;
  return {
    element: make("div", { class: "row-of-entry" }, make("label", { class: "entry" }, say(field.label), input, hint), chips),
    read,
    complain,
  };
}

function table(field, { say }) {
  const area = make("textarea", { name: field.name, rows: 6, spellcheck: "false", placeholder: say("entry.example.table") });
  const read = () => (area.value.trim() ? { value: area.value } : { error: "empty" });
  return { element: make("label", { class: "entry" }, say(field.label), area), read, complain: () => {} };
}

function choice(field, context) {
  const { say, model } = context;
  const options = typeof field.choices === "function" ? field.choices(model) : field.choices;
  const chosen = field.initial?.(model) ?? options[0]?.value;
  const radios = options.map(({ value, label, text }) => {
    const radio = make("input", { type: "radio", name: field.name, value, checked: value === chosen });
    radio.onchange = () => field.changed?.(value);
    return make("label", {}, radio, make("span", {}, text ?? say(label)));
  });
  const group = make("div", { class: "row choice", role: "radiogroup", "aria-label": say(field.label) }, ...radios);
  const read = () => {
    const value = group.querySelector("input:checked")?.value;
    return value === undefined || value === "" ? (field.optional ? { absent: true } : { error: "empty" }) : { value };
  };
  return { element: make("div", {}, make("div", {}, say(field.label)), group), read, complain: () => {} };
}

export class Forms {
  #dialog = document.getElementById("form");
  #body = document.getElementById("form-body");
  #keypad = document.getElementById("keypad");
  #answer = document.getElementById("answer");
  #input = null; #page = null; #context = null; #info = null; #senders = [];

  constructor() {
    document.getElementById("form-close").onclick = () => this.#dialog.close();
    this.#body.addEventListener("focusin", ({ target }) => {
      if (target.matches("input[data-numeric]")) this.#input = target;
    });
    this.#dialog.addEventListener("close", () => { this.#page = null; });
  }

  /** Opens a tool. `context`: `{say, units, model, send(command, body), blocked()}`. */
  open(tool, context, pageId = undefined) {
    const { say, model } = context;
    const pages = (tool.pages ?? [tool]).filter((page) => page.when?.(model) ?? true);
    const page = pages.find(({ id }) => id === pageId) ?? pages[0];
    this.#page = page;
    this.#context = context;
    this.#senders = [];
    this.#input = null;
    document.getElementById("form-title").textContent = say(tool.title);
    const tabs = pages.length < 2 ? [] : pages.map(({ id, title }) => make("button", {
      type: "button", "aria-pressed": String(id === page.id), "data-page": id,
      onclick: () => this.open(tool, context, id),
    }, say(title)));
    document.getElementById("form-pages").replaceChildren(...tabs);
    this.#show("", "");
    this.#info = make("div", { class: "info" });
    const forms = (page.forms ?? []).filter((form) => form.when?.(model) ?? true);
    this.#body.replaceChildren(this.#info, ...forms.map((form) => this.#form(form)));
    const numeric = this.#body.querySelector("input[data-numeric]");
    this.#keypad.hidden = !numeric;
    if (numeric) buildKeypad(this.#keypad, () => this.#input, say);
    this.refresh();
    if (!this.#dialog.open) this.#dialog.showModal();
    // Typing may begin at once where the first thing asked for is a number.
    if (numeric && numeric === this.#body.querySelector("input, textarea")) numeric.focus({ preventScroll: true });
    this.#body.scrollTop = 0;
  }

  /** Brings what the open tool shows up to date; typed text stays. */
  refresh() {
    if (!this.#page) return;
    const { say } = this.#context;
    const blocked = this.#context.blocked();
    const parts = this.#page.info?.(this.#context) ?? [];
    if (blocked && this.#senders.length) parts.unshift(make("p", { class: "caution" }, say(blocked.key, blocked)));
    this.#info.replaceChildren(...parts);
    for (const button of this.#senders) button.disabled = blocked !== null;
  }

  #show(outcome, text) {
    this.#answer.dataset.outcome = outcome;
    this.#answer.textContent = text;
  }

  #form(form) {
    const { say, model } = this.#context;
    const fields = (form.fields ?? []).filter((field) => field.when?.(model) ?? true);
    const controls = fields.map((field) => ({ field, ...CONTROLS[field.kind](field, this.#context) }));
    // A form without a button is answered by the choice itself.
    const button = form.send ? make("button", { type: "submit" }, say(form.send)) : null;
    if (form.command) this.#senders.push(button);
    const set = make("fieldset", {},
      form.title ? make("legend", {}, say(form.title)) : null,
      form.note ? make("p", { class: "note" }, say(form.note)) : null,
      ...controls.map(({ element }) => element),
      button ? make("div", { class: "row" }, button) : null);
    const submit = (event) => {
      event.preventDefault();
      this.#submit(form, controls);
    };
    return make("form", { onsubmit: submit, novalidate: true, "data-command": form.command }, set);
  }

  async #submit(form, controls) {
    const { say } = this.#context;
    const values = {};
    for (const { field, read, complain } of controls) {
      const { value, error, hint } = read();
      if (error) {
        complain(error, hint);
        this.#show("refused", say(`entry.${error}`, { typed: "", example: hint ?? say(`entry.example.${field.kind}`) }));
        return;
      }
      if (value !== undefined) values[field.name] = value;
    }
    if (form.local) {
      form.local(values);
      return;
    }
    await this.ask(form.command, form.body ? form.body(values, this.#context.model) : values);
  }

  /** Sends a command and shows what became of it. */
  async ask(command, body) {
    const { say, send } = this.#context;
    this.#show("waiting", say("answer.waiting"));
    try {
      const reply = await send(command, body);
      const key = reply.ok ? "answer.done" : "answer.refused";
      this.#show(reply.ok ? "done" : "refused", say(key, { text: reply.text }));
    } catch (error) {
      this.#show("refused", say(error.message));
    }
  }
}
