// Commands and their answers. A command is sent once and waits for its reply; nothing is sent again by
// itself, for by then the arm may stand somewhere else.

const WAIT_MS = 20000; // a touch waits up to ten seconds for a still moment

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(9));
  return "screen-" + Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

export class Commands {
  #client; #base; #open = new Map();

  constructor(client, base) {
    this.#client = client;
    this.#base = base;
  }

  /** Resolves with the service's reply; rejects with an Error whose message is a key of the catalogue. */
  async send(name, body) {
    const id = newId();
    const answer = new Promise((resolve, reject) => {
      const timer = setTimeout(() => {
        this.#open.delete(id);
        reject(new Error("answer.none"));
      }, WAIT_MS);
      this.#open.set(id, { resolve, reject, timer });
    });
    this.#client
      .publish(`${this.#base}/command/${name}`, JSON.stringify({ ...body, request_id: id }), { qos: 1 })
      .catch(() => this.#settle(id, (open) => open.reject(new Error("answer.lost"))));
    return answer;
  }

  /** Takes every message of the reply topic; answers to others' commands are left alone. */
  take(reply) {
    this.#settle(reply.request_id, (open) => open.resolve(reply));
  }

  /** The connection went: whether an open command arrived is not known, and the screen says so. */
  lost() {
    for (const id of [...this.#open.keys()]) this.#settle(id, (open) => open.reject(new Error("answer.lost")));
  }

  #settle(id, how) {
    const open = this.#open.get(id);
    if (!open) return;
    clearTimeout(open.timer);
    this.#open.delete(id);
    how(open);
  }
}
