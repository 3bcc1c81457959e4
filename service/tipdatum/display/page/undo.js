// The last change can be put back for half a minute, from where it was answered.

import { make, setText } from "./dom.js";
import { sayReply } from "./texts.js";

export class Undo {
  #hosts; #until = 0; #buttons = []; #timer = null; #say = null; #blocked = false;

  /** `hosts`: where the button stands, in a form and beside the tools. */
  constructor(hosts) {
    this.#hosts = hosts;
    this.#buttons = hosts.map((host) => {
      const button = make("button", { type: "button", class: "undo", hidden: true });
      host.prepend(button);
      return button;
    });
  }

  /** A command was carried out that can be put back for so many seconds; `take` sends the one that does. */
  offer(seconds, say, take) {
    this.#say = say;
    this.#until = Date.now() + seconds * 1000;
    for (const button of this.#buttons) {
      button.onclick = async () => {
        this.#end();
        const host = this.#hosts[this.#buttons.indexOf(button)];
        const answer = host.querySelector("output") ?? host.appendChild(make("output", { role: "status" }));
        host.hidden = false;
        try {
          const reply = await take();
          setText(answer, sayReply(say, reply));
        } catch (error) {
          setText(answer, say(error.message));
        }
        if (host.id === "undo") setTimeout(() => { answer.remove(); this.refresh(this.#blocked); }, 5000);
      };
    }
    clearInterval(this.#timer);
    this.#timer = setInterval(() => this.refresh(this.#blocked), 1000);
    this.refresh(this.#blocked);
  }

  #end() {
    this.#until = 0;
    this.refresh(this.#blocked);
  }

  refresh(blocked) {
    this.#blocked = blocked;
    const left = Math.ceil((this.#until - Date.now()) / 1000);
    const shown = left > 0 && this.#say !== null;
    if (!shown) clearInterval(this.#timer);
    this.#buttons.forEach((button, i) => {
      button.hidden = !shown;
      button.disabled = blocked;
      if (shown) setText(button, this.#say("undo", { seconds: left }));
      const host = this.#hosts[i];
      if (host.id === "undo") host.hidden = !shown && !host.querySelector("output");
    });
  }
}
