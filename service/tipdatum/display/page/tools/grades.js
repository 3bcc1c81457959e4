// Grades as people enter them: a size and a direction, which must not contradict each other.

import { percentText } from "../units.js";

export const DIRECTION = {
  name: "direction", kind: "choice", label: "form.direction",
  choices: ["falling", "rising"].map((value) => ({ value, label: `target.${value}` })),
};
/** A grade as the service reads it: percent, with the direction as seen from the machine in words. */
export function gradeText(ratio, direction) {
  return `${direction} ${+(Math.abs(ratio) * 100).toFixed(6)}%`;
}

/** "−2 %" says falling: with "rising" beside it somebody has to say which is meant. */
export function contradiction(values, model, { say }) {
  const { grade: ratio, direction } = values;
  if (ratio === undefined || ratio >= 0 || direction !== "rising") return null;
  const grade = percentText(Math.abs(ratio), say.comma);
  const answer = (way) => ({ label: say("target.grade", { grade, way: say(`target.${way}`) }), values: { ...values, grade: Math.abs(ratio), direction: way } });
  return { text: say("ask.grade", { typed: percentText(ratio, say.comma), way: say("target.rising") }), answers: [answer("falling"), answer("rising")] };
}

