// The forms behind the tools. A page of a tool is data (see tools/index.js): what it shows, its fields, and the
// actions that send them. The actions, the answer and the live figure are always in sight; only fields scroll.

import { setText, make } from "./dom.js";
import { control } from "./fields.js";
import { buildKeypad } from "./keypad.js";
import { sayReply, saySaid } from "./texts.js";

const at = (id) => document.getElementById(id);

export class Forms {
  #dialog = at("form"); #body = at("form-body"); #keypad = at("keypad"); #answer = at("answer"); #actions = at("form-actions");
  #input = null; #tool = null; #page = null; #context = null; #info = null; #controls = []; #senders = []; #read = new Set();

  constructor() {
    at("form-close").onclick = () => this.#dialog.close();
    this.#body.addEventListener("focusin", ({ target }) => {
      if (target.matches("[data-keys]")) this.#typeInto(target);
    });
    this.#body.addEventListener("change", () => {
      this.#showFields();
      this.#keepInSight();
    });
    this.#keypad.addEventListener("click", () => this.#keepInSight());
    this.#dialog.addEventListener("close", () => { this.#page = null; });
  }

  get isOpen() {
    return this.#dialog.open;
  }

  close() {
    this.#dialog.close();
  }

  /** Opens a tool. `context`: `{say, units, model, send(command, body), blocked(), …}`. */
  open(tool, context, pageId = undefined) {
    const { say, model } = context;
    const pages = (tool.pages ?? [tool]).filter((page) => page.when?.(model) ?? true);
    const page = pages.find(({ id }) => id === pageId) ?? pages[0];
    this.#tool = tool;
    this.#page = page;
    this.#context = context;
    this.#input = null;
    at("form-title").textContent = say(tool.title);
    const tabs = pages.length < 2 ? [] : pages.map(({ id, title }) => make("button", {
      type: "button", "aria-pressed": String(id === page.id), "data-page": id,
      onclick: () => this.open(tool, context, id),
    }, say(title)));
    at("form-pages").replaceChildren(...tabs);
    at("form-pages").querySelector("[aria-pressed=true]")?.scrollIntoView?.({ block: "nearest", inline: "center" });
    this.#show("", "");
    this.#info = make("div", { class: "info" });
    const fields = (page.fields ?? []).filter((field) => field.when?.(model) ?? true);
    this.#controls = fields.map((field) => ({ field, ...control(field, context) }));
    const note = page.note ? make("p", { class: "note" }, say(page.note)) : null;
    const form = make("form", { novalidate: true, onsubmit: (event) => { event.preventDefault(); this.#submitFirst(); } },
      ...this.#controls.map(({ element }) => element));
    this.#body.replaceChildren(...[this.#cautions(), this.#chips(), form, note, this.#info].filter(Boolean));
    this.#showActions();
    this.#showFields();
    this.refresh();
    if (!this.#dialog.open) this.#dialog.showModal();
    const first = this.#body.querySelector("[data-keys]");
    this.#keypad.hidden = !first;
    // Keys type at once into the first field; it has the focus where the first thing asked for is a number.
    if (first) this.#typeInto(first);
    if (first?.dataset.keys === "figures") first.focus({ preventScroll: true });
    this.#body.scrollTop = 0;
  }

  #typeInto(input) {
    this.#input = input;
    for (const one of this.#body.querySelectorAll("[data-keys]")) one.classList.toggle("typing", one === input);
    if (this.#keypad.dataset.kind !== input.dataset.keys || !this.#keypad.children.length) {
      buildKeypad(this.#keypad, input.dataset.keys, () => this.#input, this.#context.say);
    }
  }

  /** Whoever types sees what is typed: the field and what is said back of it. */
  #keepInSight() {
    if (!this.#input) return;
    if (!this.#input.offsetParent) {
      // A choice took the field away: its keys belong to the one that came instead.
      const instead = [...this.#body.querySelectorAll("[data-keys]")].find((one) => one.offsetParent);
      if (instead) this.#typeInto(instead);
    }
    this.#input.closest(".row-of-entry").scrollIntoView({ block: "nearest" });
  }

  /** Cautions stand open until they were read, then in one line. */
  #cautions() {
    const { say } = this.#context;
    const cautions = this.#page.cautions?.(this.#context) ?? [];
    if (!cautions.length) return null;
    const key = cautions.map(({ text }) => text).join();
    const box = make("details", { class: "caution", open: !this.#read.has(key) },
      make("summary", {}, say("cautions.fold", { n: cautions.length })),
      ...cautions.map((one) => make("p", {}, saySaid(say, one.said, one.text), one.source ? make("small", {}, ` (${saySaid(say, one.source_said, one.source)})`) : null)));
    box.addEventListener("toggle", () => { if (!box.open) this.#read.add(key); });
    this.#read.add(key);
    return box;
  }

  /** What was used last, to be used again by one touch. */
  #chips() {
    const chips = this.#page.chips?.(this.#context) ?? [];
    if (!chips.length) return null;
    return make("div", { class: "row chips" }, ...chips.map(({ text, command, body }) => this.#sender(text, () => this.ask(command, body))));
  }

  #sender(text, onclick, more = {}) {
    const button = make("button", { type: "button", onclick, ...more }, text);
    this.#senders.push(button);
    return button;
  }

  #visibleActions() {
    return [...(this.#page.actions ?? []), ...(this.#tool.actions ?? [])].filter((action) => action.when?.(this.#context.model) ?? true);
  }

  #showActions() {
    const { say } = this.#context;
    this.#senders = this.#senders.filter((button) => this.#body.contains(button));
    this.#actions.replaceChildren(...this.#visibleActions().map((action, i) => {
      const button = make("button", {
        type: "button", class: i === 0 && !action.plain ? "first" : null, "data-command": action.command, onclick: () => this.#submit(action),
      }, say(action.label));
      if (action.command) this.#senders.push(button);
      return button;
    }));
  }

  #current() {
    return Object.fromEntries(this.#controls.map(({ field, read }) => [field.name, read().value]));
  }

  /** Fields that depend on another choice come and go with it. */
  #showFields() {
    const current = this.#current();
    for (const { field, element } of this.#controls) if (field.shown) element.hidden = !field.shown(current);
  }

  /** Brings what the open tool shows up to date; typed text stays. */
  refresh() {
    if (!this.#page) return;
    const { say } = this.#context;
    const blocked = this.#context.blocked();
    const parts = this.#page.info?.({ ...this.#context, ask: (command, body) => this.ask(command, body) }) ?? [];
    if (blocked && this.#senders.length) parts.unshift(make("p", { class: "caution" }, say(blocked.key, blocked)));
    // A touch must not lose its button in the middle: what looks the same stays.
    const next = make("div", {}, ...parts);
    if (next.innerHTML !== this.#info.innerHTML) this.#info.replaceChildren(...next.childNodes);
    for (const button of this.#senders) button.disabled = blocked !== null;
  }

  #show(outcome, text) {
    this.#answer.dataset.outcome = outcome;
    this.#answer.textContent = text;
  }

  #submitFirst() {
    const [action] = this.#visibleActions();
    if (action && !action.plain) this.#submit(action);
  }

  #submit(action) {
    const { say, model } = this.#context;
    const values = {};
    for (const { field, element, read, complain } of this.#controls) {
      if (action.plain || element.hidden || (action.needs && !action.needs.includes(field.name))) continue;
      const { value, error, hint } = read();
      if (error) {
        complain(error, hint);
        element.scrollIntoView({ block: "nearest" });
        this.#show("refused", say(`entry.${error}`, { typed: "", example: hint ?? say(`entry.example.${field.kind}`) }));
        return;
      }
      if (value !== undefined) values[field.name] = value;
    }
    this.#confirmed(action, values, action.asks?.(values, model, this.#context) ?? null);
  }

  /** Sends, or asks first where what was entered contradicts itself or would undo what stands. */
  #confirmed(action, values, question) {
    const { model } = this.#context;
    if (question) {
      this.question(question, (chosen) => this.#confirmed(action, chosen, null));
      return;
    }
    if (action.local) action.local(values, this.#context);
    else this.ask(action.command, action.body ? action.body(values, model) : values);
  }

  /** Shows a question with its answers in the place of the actions; `take` gets the chosen values. */
  question({ text, answers }, take) {
    const { say } = this.#context;
    this.#show("asked", text);
    const button = (label, values) => make("button", { type: "button", onclick: () => {
      this.#show("", "");
      this.#showActions();
      this.refresh();
      if (values !== null) take(values);
    } }, label);
    this.#actions.replaceChildren(...answers.map(({ label, values }) => button(label, values)), button(say("cancel"), null));
    this.#actions.firstChild.focus();
  }

  /** Sends a command and shows what became of it. */
  async ask(command, body) {
    const { say, send, after } = this.#context;
    this.#show("waiting", say("answer.waiting"));
    try {
      const reply = await send(command, body);
      this.#show(reply.ok ? "done" : "refused", say(reply.ok ? "answer.done" : "answer.refused", { text: sayReply(say, reply) }));
      this.#showActions();
      this.refresh();
      if (reply.result?.text) this.#output(command, reply.result.text);
      if (reply.ok) after?.(command, body, reply, this);
    } catch (error) {
      this.#show("refused", say(error.message));
    }
  }

  /** A text that the service gave out, to be read and kept. */
  #output(command, text) {
    const { say } = this.#context;
    const name = `${command.replace("/", "-")}.csv`;
    const address = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
    this.#body.querySelector(".output")?.remove();
    this.#body.prepend(make("div", { class: "output" }, make("a", { href: address, download: name }, say("output.keep", { name })), make("pre", {}, text)));
    this.#body.scrollTop = 0;
  }

  /** The live figure beside the form. */
  live(text) {
    setText(at("form-live"), text);
  }
}
