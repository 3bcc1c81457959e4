// Keys for screens in a cab that have no keyboard: figures and units, or letters, as the field wants them.

import { make } from "./dom.js";

const FIGURES = [
  "7", "8", "9", "m", "ft", "4", "5", "6", "mm", "in", "1", "2", "3", "%", "°", "0", ".", ",", "−", "/", "'", '"', "1:", "␣", "⌫",
];

function put(input, text) {
  input.setRangeText(text, input.selectionStart, input.selectionEnd, "end");
  input.dispatchEvent(new Event("input", { bubbles: true }));
}

function erase(input) {
  const { selectionStart: from, selectionEnd: to } = input;
  if (from === to && from > 0) input.setRangeText("", from - 1, from, "end");
  else input.setRangeText("", from, to, "end");
  input.dispatchEvent(new Event("input", { bubbles: true }));
}

/** Fills the element with keys that type into `target()`; `kind` is "figures" or "letters". */
export function buildKeypad(element, kind, target, say) {
  element.dataset.kind = kind;
  const press = (text) => () => {
    const input = target();
    if (!input) return;
    if (text === "⌫") erase(input);
    else if (text === "␣") put(input, " ");
    else put(input, /^[a-z]+$/.test(text) && kind === "figures" ? ` ${text} ` : text);
  };
  // A key must not take the focus from the input it types into.
  const keep = (event) => event.preventDefault();
  const names = { "␣": say("keypad.space"), "⌫": say("keypad.delete") };
  const key = (text, more = {}) => make("button", {
    type: "button", tabindex: "-1", onpointerdown: keep, onclick: press(text), "aria-label": names[text], ...more,
  }, text);
  if (kind === "figures") {
    element.replaceChildren(...FIGURES.map((text) => key(text)));
    return;
  }
  const rows = ["1234567890", ...say("keypad.letters").split(" ")];
  element.replaceChildren(
    ...rows.map((row) => make("div", { class: "keys" }, ...[...row].map((letter) => key(letter)))),
    make("div", { class: "keys" }, key("-"), key("."), key("␣", { class: "wide" }), key("⌫")),
  );
}
