// The tools along the bottom, as data. A tool has pages (or is one itself). A page has `fields`, `actions` that
// send them, and may have `info` (what it shows), `cautions`, `chips` (whole commands by one touch) and a `note`.
// A field of kind "length" comes to `body` in metres, "grade" as a ratio, "angle" in degrees, "table" as rows of
// metres. An action has a label and a command; `body(values)` makes the command's JSON, without it the values are
// that; `needs` names the fields it reads (all of them without it); a `plain` one reads none; `asks` returns a
// question where what was entered contradicts itself or would undo what stands.

import { dayTool } from "./day.js";
import { MACHINE } from "./machine.js";
import { REFERENCE } from "./reference.js";
import { screenTool } from "./screen.js";
import { TARGET } from "./target.js";
import { LIMITS, POINTS, TRENCH } from "./work.js";

export { dayTool, screenTool };
export const TOOLS = [REFERENCE, TARGET, MACHINE, POINTS, LIMITS, TRENCH];

const PAGES = [...TOOLS, dayTool({})].flatMap((tool) => [...(tool.pages ?? []), tool]);
const commandsOf = ({ actions = [] }) => actions.filter(({ command }) => command);

/** Command → the label of the button that sends it, for sentences that name one. */
export const LABELS = Object.fromEntries(
  PAGES.flatMap(commandsOf).map(({ command, label }) => [command, label]).toReversed(),
);

/** Command and key → the label of the field that fills it. */
export const FIELDS = Object.fromEntries(PAGES.flatMap((page) => commandsOf(page)
  .flatMap(({ command }) => (page.fields ?? []).map(({ name, label }) => [`${command} ${name}`, label]))).toReversed());
