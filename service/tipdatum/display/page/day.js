// The end of the day: the server writes the report, and says where it is.

import { make } from "./dom.js";
import { codeOf } from "./tools/screen.js";

const ASK_EVERY_MS = 2000;

export class Day {
  onChange = () => {};
  #report = { state: "none" };

  async #ask(method) {
    try {
      const answer = await fetch("report.json", { method });
      this.#report = answer.ok ? await answer.json() : { state: "unavailable" };
    } catch {
      this.#report = { state: "unavailable" };
    }
    this.onChange();
    if (this.#report.state === "writing") setTimeout(() => this.#ask("GET"), ASK_EVERY_MS);
  }

  /** One touch: the book is closed as it stands and given out, and the report is written. */
  end({ send }) {
    this.#ask("POST");
    return send("book/export", { form: "csv" }).catch(() => null);
  }

  /** What is to be said about the report. */
  shown(say) {
    const { state, address, text } = this.#report;
    if (state === "ready") {
      const whole = new URL(address, location.href).href;
      return [make("p", {}, make("a", { href: whole, target: "_blank" }, say("day.ready"))), codeOf(whole, say)];
    }
    return state === "none" ? [] : [make("p", { class: state === "writing" ? "" : "caution" }, say(`day.${state}`), text ? ` ${text}` : "")];
  }
}
