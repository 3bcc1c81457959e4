// What asks for attention: full-width lines, each with what to do, all of them, the most urgent first.

import { make, setText } from "./dom.js";
import { sayEach, saySaid, sayWord } from "./texts.js";
import { lengthText } from "./units.js";

/** How urgent a kind of line is: the smaller, the higher it stands. */
const URGENCY = { "limit.beyond": 0, "limit.near": 1, doubt: 2, "limit.unknown": 3, sensor: 4, settling: 5, assumed: 6 };

/** How far a limit is, in words: what is taken off is said, for "−1.00 m" alone reads as a mistake. */
export function limitRoom({ distance_m: room = null, distance_deg: turn = null, point = null }, { say, units }) {
  if (room === null && turn === null) return "";
  const size = room === null
    ? `${Math.abs(turn).toFixed(0)}°`
    : lengthText(Math.abs(room), "long", units, { step: 0.01, comma: say.comma });
  const negative = (room ?? turn) < 0;
  const where = point === null ? "" : sayWord(say, point);
  return say(negative ? "limit.past" : "limit.left", { size, point: where }).trim();
}

const nameOf = ({ kind, note }, say) => [say(`limit.${kind}`), note].filter(Boolean).join(", ");

/** Limits that nobody watches for the same reason stand in one line: what is worth a line is the reason. */
function together(limits) {
  const lines = [];
  for (const limit of limits) {
    const same = limit.state === "unknown" && lines.find(([one]) => one.state === "unknown" && one.reason === limit.reason);
    if (same) same.push(limit);
    else lines.push([limit]);
  }
  return lines;
}

function limitLine(limits, context) {
  const { say } = context;
  const [limit] = limits;
  const what = limits.map((one) => nameOf(one, say)).join("; ");
  const words = [say(`warn.limit.${limit.state}`, { what })];
  if (limit.reason) words.push(saySaid(say, limit.said, limit.reason));
  const room = limitRoom(limit, context);
  if (room) words.push(room);
  if (limit.state === "near" && limit.time_s !== null && limit.time_s !== undefined && limit.time_s < 10) {
    words.push(say("limit.in-time", { seconds: limit.time_s.toFixed(1).replace(".", say.comma ? "," : ".") }));
  }
  return { kind: `limit.${limit.state}`, text: words.join(" · "), remedy: say(`remedy.limit.${limit.state}`) };
}

/** Every line at `now`: `{kind, text, remedy}`. */
export function warningLines(context, now) {
  const { model, say } = context;
  const lines = together(model.warnings(now)).map((limits) => limitLine(limits, context));
  const { state, tip } = model;
  if (state?.datum === "doubtful") {
    const why = sayEach(say, state.reasons_said, state.reasons).join("; ");
    lines.push({ kind: "doubt", text: say("warn.doubt", { why }), remedy: say("remedy.datum.doubtful") });
  }
  // One that waits is worth a line once it is known why: a port that is not there, for instance.
  const bad = [...model.health.values()].filter(({ state: how, last_fault: fault }) => how === "fault" || how === "stale" || (how === "waiting" && fault));
  for (const { sensor, state: how, text, said } of bad) {
    lines.push({ kind: "sensor", text: say("warn.sensor", { sensor, state: say(`sensors.state.${how}`), text: saySaid(say, said, text) }).replace(/: $/, ""), remedy: say("remedy.sensor") });
  }
  if (tip && model.silence(now) === null) {
    if (tip.quality === "settling") lines.push({ kind: "settling", text: say("warn.settling"), remedy: say("remedy.settling") });
    // What is assumed because nothing measures it; that the arm moves an operator sees.
    tip.reasons.forEach((reason, i) => {
      if (reason.endsWith("assumed")) lines.push({ kind: "assumed", text: saySaid(say, tip.reasons_said?.[i], reason), remedy: "" });
    });
  }
  return lines.sort((a, b) => URGENCY[a.kind] - URGENCY[b.kind]);
}

/** Brings the lines up to date; returns whether their number changed. */
export function showWarnings(list, context, now) {
  const lines = warningLines(context, now);
  const changed = list.children.length !== lines.length;
  while (list.children.length > lines.length) list.lastChild.remove();
  while (list.children.length < lines.length) list.append(make("li", {}, make("strong"), " ", make("span")));
  lines.forEach(({ kind, text, remedy }, i) => {
    const item = list.children[i];
    item.dataset.kind = kind;
    setText(item.children[0], remedy && !/[.!?]$/.test(text) ? `${text}.` : text);
    setText(item.children[1], remedy);
  });
  return changed;
}
