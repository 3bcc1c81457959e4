// Keys for lengths and grades, for screens in a cab that have no keyboard.

import { make } from "./dom.js";

const KEYS = ["7", "8", "9", "m", "ft", "4", "5", "6", "mm", "in", "1", "2", "3", "%", "1:", ",", "0", ".", "−", "/"];

/** Fills the element with keys that type into `target()`, an input. */
export function buildKeypad(element, target, say) {
  const type = (text) => {
    const input = target();
    if (!input) return;
    const unit = /^[a-z]+$/.test(text) ? ` ${text} ` : text;
    input.setRangeText(unit, input.selectionStart, input.selectionEnd, "end");
    input.dispatchEvent(new Event("input", { bubbles: true }));
  };
  const erase = () => {
    const input = target();
    if (!input) return;
    const { selectionStart: from, selectionEnd: to } = input;
    if (from === to && from > 0) input.setRangeText("", from - 1, from, "end");
    else input.setRangeText("", from, to, "end");
    input.dispatchEvent(new Event("input", { bubbles: true }));
  };
  // A key must not take the focus from the input it types into.
  const keep = (event) => event.preventDefault();
  const key = (text, action, more = {}) =>
    make("button", { type: "button", tabindex: "-1", onpointerdown: keep, onclick: action, ...more }, text);
  element.replaceChildren(
    ...KEYS.map((text) => key(text, () => type(text))),
    key("␣", () => type(" "), { "aria-label": say("keypad.space") }),
    key("'", () => type("'")),
    key('"', () => type('"')),
    key("⌫", erase, { class: "wide", "aria-label": say("keypad.delete") }),
  );
}
