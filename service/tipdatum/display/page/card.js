// The card over the drawing: a question before something is given up, what became of a touch, the morning's
// question, or a caution that nobody at this screen has seen yet.

import { make } from "./dom.js";
import { sayReply, saySaid } from "./texts.js";

const SEEN = "tipdatum.seen";
const TOLD_MS = 6000;

function seenBefore() {
  try {
    return JSON.parse(sessionStorage.getItem(SEEN) ?? "[]");
  } catch {
    return [];
  }
}

export class Card {
  #element = document.getElementById("card");
  #shown = ""; #seen = new Set(seenBefore()); #own = null; #last = null;

  /** Asks on the card; `take` is called for yes. */
  ask({ text, answers }, say, take) {
    const close = () => this.tell(null, say);
    this.#own = [make("p", {}, text), make("div", { class: "row" },
      make("button", { type: "button", onclick: () => { close(); take(); } }, answers[0].label),
      make("button", { type: "button", onclick: close }, say("cancel")))];
    this.#renew();
  }

  /** Tells what became of a touch, for some seconds; null takes it away. */
  tell(text, say) {
    this.#own = text === null ? null : [make("p", { role: "status" }, text),
      make("div", { class: "row" }, make("button", { type: "button", onclick: () => this.tell(null, say) }, say("close")))];
    this.#renew();
    const told = this.#own;
    if (told) setTimeout(() => { if (this.#own === told && text !== say("answer.waiting")) this.tell(null, say); }, TOLD_MS);
  }

  #renew() {
    this.#shown = "";
    if (this.#last) this.show(this.#last);
  }

  /**
   * Brings the card up to date. `blocked()` says why commands cannot be sent from here, or null; `send`
   * sends one; `say` is the catalogue.
   */
  show(context) {
    this.#last = context;
    const { state, say, blocked } = context;
    const caution = (state?.cautions ?? []).find((one) => !this.#seen.has(this.#key(one, state)));
    const question = state?.question;
    const key = JSON.stringify([this.#own !== null, caution?.name, question?.name, question?.text, blocked(), say.language]);
    if (key === this.#shown) return;
    this.#shown = key;
    this.#element.hidden = !this.#own && !caution && !question;
    if (this.#own) this.#element.replaceChildren(...this.#own);
    else if (caution) this.#caution(caution, context);
    else if (question) this.#question(question, context);
  }

  /** A recording that starts again shows the same cautions for the same trench: once read they stay read. */
  #key(caution, state) {
    return `${caution.name}|${(caution.time ?? "").slice(0, 10)}|${state?.trench?.name ?? ""}`;
  }

  #caution(caution, context) {
    const { say, state } = context;
    const seen = () => {
      this.#seen.add(this.#key(caution, state));
      try {
        sessionStorage.setItem(SEEN, JSON.stringify([...this.#seen]));
      } catch {
        // a browser that keeps nothing asks again after a reload
      }
      this.show(context);
    };
    this.#element.replaceChildren(
      make("h2", {}, say("card.caution")),
      make("p", {}, saySaid(say, caution.said, caution.text)),
      caution.source ? make("p", { class: "note" }, saySaid(say, caution.source_said, caution.source)) : "",
      make("div", { class: "row" }, make("button", { type: "button", onclick: seen }, say("card.read"))),
    );
  }

  #question(question, { say, blocked, send }) {
    const answer = make("p", { role: "status" });
    const reply = async (yes) => {
      answer.textContent = say("answer.waiting");
      try {
        answer.textContent = sayReply(say, await send("morning/answer", { question: question.name, yes }));
      } catch (error) {
        answer.textContent = say(error.message);
      }
    };
    const why = blocked();
    const button = (key, yes) => make("button", { type: "button", disabled: why !== null, onclick: () => reply(yes) }, say(key));
    this.#element.replaceChildren(
      make("h2", {}, say("card.question", { left: question.left })),
      make("p", {}, saySaid(say, question.said, question.text)),
      make("div", { class: "row" }, button("card.yes", true), button("card.no", false)),
      why ? make("p", { class: "note" }, say(why.key, why)) : answer,
    );
  }
}
