// The screen's own settings, sign-in, and other screens.

import { make } from "../dom.js";
import { qrSvg } from "../qr.js";
import { LANGUAGES } from "../texts.js";
import { UNIT_SETS } from "../units.js";

/** The addresses of further screens: the same page with another view, or for reading only. */
export function addressOf(query) {
  const address = new URL(location.href);
  address.search = "";
  for (const [name, value] of Object.entries(query)) address.searchParams.set(name, value);
  return address.href;
}

/** A picture that a phone reads as this address. */
export function codeOf(address, say) {
  const local = ["127.0.0.1", "localhost", "[::1]"].includes(new URL(address).hostname);
  const picture = make("div", { class: "qr", role: "img", "aria-label": address });
  picture.append(qrSvg(address));
  return make("div", { class: "code" }, picture, make("p", {}, make("code", {}, address)),
    local ? make("p", { class: "caution" }, say("code.local")) : null);
}

/** `screen` offers `choices`, `set(name, value)`, `username` and `signIn(user, password)`. */
export function screenTool(screen) {
  const choose = (name, values) => ({
    name, kind: "choice", label: `screen.${name}`,
    initial: () => screen.choices[name],
    choices: values,
    changed: (value) => screen.set(name, value),
  });
  const labelled = (name, values) => values.map((value) => ({ value, label: `screen.${name}.${value}` }));
  const languages = () => Object.entries(LANGUAGES).map(([value, texts]) => ({ value, text: texts["language.name"] }));
  return {
    id: "screen",
    title: "tool.screen",
    pages: [
      {
        id: "look",
        title: "screen.look",
        note: "screen.sound.note",
        info: ({ model, say }) => (model.about
          ? [make("p", { class: "note" }, say("screen.about", {
            machine: model.about.machine?.name ?? "", version: model.about.version, contract: model.about.contract,
          }))]
          : []),
        fields: [
          choose("light", labelled("light", ["auto", "sun", "night"])),
          choose("units", labelled("units", Object.keys(UNIT_SETS))),
          choose("language", languages),
          choose("sound", labelled("sound", ["off", "on"])),
          choose("view", labelled("view", ["all", "glance", "section", "numbers"])),
        ],
      },
      {
        id: "others",
        title: "screen.others",
        note: "screen.others.note",
        info: ({ say }) => [codeOf(addressOf({ role: "display" }), say), make("p", {}, say("screen.others.views")),
          make("ul", {}, ...["glance", "section", "numbers"].map((view) => make("li", {}, make("code", {}, addressOf({ view })))))],
      },
      {
        id: "sign-in",
        title: "screen.sign-in",
        fields: [
          { name: "username", kind: "name", label: "screen.user", initial: () => screen.username },
          { name: "password", kind: "secret", label: "screen.password", optional: true },
        ],
        actions: [{ label: "screen.sign-in.send", local: ({ username, password }) => screen.signIn(username, password) }],
      },
    ],
  };
}
