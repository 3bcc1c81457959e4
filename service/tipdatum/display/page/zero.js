// "This is zero here": the tip stands on the point that shall be zero. One touch, unless that would give up a
// reference that nobody doubts.

import { sayReply } from "./texts.js";
import { replacing } from "./tools/reference.js";

const BODY = { elevation_m: 0, mark: "ZERO" };

export function zeroHere({ model, say, units, send, card }) {
  const carry = async () => {
    card.tell(say("answer.waiting"), say);
    try {
      const reply = await send("datum/set", BODY);
      card.tell(say(reply.ok ? "answer.done" : "answer.refused", { text: sayReply(say, reply) }), say);
    } catch (error) {
      card.tell(say(error.message), say);
    }
  };
  const known = model.state?.reference;
  const again = known?.mark === BODY.mark && known?.known_m === 0;
  const question = again ? null : replacing({}, model, { say, units });
  if (question) card.ask(question, say, carry);
  else carry();
}
