// The card over the drawing: the morning's question, or a caution that nobody at this screen has seen yet.

import { make } from "./dom.js";

export class Card {
  #element = document.getElementById("card");
  #shown = ""; #seen = new Set();

  /**
   * Brings the card up to date. `blocked()` says why commands cannot be sent from here, or null; `send`
   * sends one; `say` is the catalogue.
   */
  show({ state, say, blocked, send }) {
    const caution = (state?.cautions ?? []).find((one) => !this.#seen.has(`${one.name} ${one.time}`));
    const question = state?.question;
    const key = JSON.stringify([caution?.name, question?.name, question?.text, blocked(), say.language]);
    if (key === this.#shown) return;
    this.#shown = key;
    this.#element.hidden = !caution && !question;
    if (caution) this.#caution(caution, { state, say, blocked, send });
    else if (question) this.#question(question, { say, blocked, send });
  }

  #caution(caution, context) {
    const { say } = context;
    const seen = () => {
      this.#seen.add(`${caution.name} ${caution.time}`);
      this.show(context);
    };
    this.#element.replaceChildren(
      make("h2", {}, say("card.caution")),
      make("p", {}, caution.text),
      caution.source ? make("p", { class: "note" }, caution.source) : "",
      make("div", { class: "row" }, make("button", { type: "button", onclick: seen }, say("card.read"))),
    );
  }

  #question(question, { say, blocked, send }) {
    const answer = make("p", { role: "status" });
    const reply = async (yes) => {
      answer.textContent = say("answer.waiting");
      try {
        const { text } = await send("morning/answer", { question: question.name, yes });
        answer.textContent = text;
      } catch (error) {
        answer.textContent = say(error.message);
      }
    };
    const why = blocked();
    const button = (key, yes) => make("button", { type: "button", disabled: why !== null, onclick: () => reply(yes) }, say(key));
    this.#element.replaceChildren(
      make("h2", {}, say("card.question", { left: question.left })),
      make("p", {}, question.text),
      make("div", { class: "row" }, button("card.yes", true), button("card.no", false)),
      why ? make("p", { class: "note" }, say(why.key, why)) : answer,
    );
  }
}
