// The day: the level book and its closing, the end of the day with its report, and a code for the checker's phone.

import { make } from "../dom.js";
import { POINT, markNames } from "./reference.js";
import { addressOf, codeOf } from "./screen.js";

const close = {
  id: "close",
  title: "form.close.title",
  note: "form.close.note",
  fields: [
    { name: "mark", kind: "name", label: "form.datum.mark", optional: true, suggest: (model) => markNames(model, (mark) => mark.known) },
    { name: "elevation_m", kind: "length", label: "form.close.elevation", optional: true },
    POINT,
  ],
  actions: [
    { label: "form.close.send", command: "book/close" },
    { label: "form.distribute.send", command: "book/distribute", plain: true },
  ],
};

const book = {
  id: "book",
  title: "form.book.title",
  note: "form.book.note",
  actions: [
    { label: "form.book.read", command: "book/export", plain: true, body: () => ({ form: "table" }) },
    { label: "form.book.csv", command: "book/export", plain: true, body: () => ({ form: "csv" }) },
    {
      label: "form.book.new", command: "book/new", plain: true, body: () => ({ sure: true }),
      asks: (values, model, { say }) => ({ text: say("ask.new-book"), answers: [{ label: say("form.book.new"), values }] }),
    },
    { label: "form.morning.send", command: "morning/ask", plain: true },
  ],
};

const phone = {
  id: "phone",
  title: "form.phone.title",
  note: "form.phone.note",
  info: ({ say }) => [codeOf(addressOf({ role: "display" }), say)],
};

/** `day` offers `end(context)`, and `report` as the server tells it: `{state, address, text}`. */
export function dayTool(day) {
  const end = {
    id: "end",
    title: "form.end.title",
    note: "form.end.note",
    info: ({ say }) => day.shown(say),
    actions: [{ label: "form.end.send", local: (values, context) => day.end(context) }],
  };
  return { id: "day", title: "tool.day", pages: [end, close, book, phone] };
}
