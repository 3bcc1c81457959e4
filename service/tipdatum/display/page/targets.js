// The last targets of this screen, to be used again by one touch, and the question for a tolerance that none has.

import { toleranceChips } from "./tools/target.js";
import { lengthText } from "./units.js";

const KEY = "tipdatum.targets";
const MOST = 4;
const KINDS = ["target/level", "target/grade", "target/ditch", "target/pipe", "target/below-plane"];

export class Targets {
  #list = [];

  constructor() {
    try {
      const kept = JSON.parse(localStorage.getItem(KEY) ?? "[]");
      this.#list = Array.isArray(kept) ? kept.filter(({ command, body }) => KINDS.includes(command) && body) : [];
    } catch {
      this.#list = [];
    }
  }

  remember(command, body) {
    if (!KINDS.includes(command)) return;
    const same = (one) => JSON.stringify([one.command, one.body]) === JSON.stringify([command, body]);
    this.#list = [{ command, body }, ...this.#list.filter((one) => !same(one))].slice(0, MOST);
    try {
      localStorage.setItem(KEY, JSON.stringify(this.#list));
    } catch {
      // a browser that keeps nothing still knows them until it is closed
    }
  }

  chips(say, units) {
    const long = (metres) => lengthText(metres, "long", units, { comma: say.comma });
    const words = ({ elevation_m, depth_m, invert_m, grade, bottom_m }) => [
      bottom_m !== undefined && say("target.wide", { width: long(bottom_m) }),
      grade && say.decimal(grade.replace("falling", say("target.falling")).replace("rising", say("target.rising"))),
      elevation_m !== undefined && long(elevation_m),
      depth_m !== undefined && say("target.deep", { depth: long(depth_m) }),
      invert_m !== undefined && say("target.invert", { elevation: long(invert_m) }),
    ].filter(Boolean).join(", ");
    return this.#list.map(({ command, body }) => ({ text: words(body), command, body }));
  }

  /** After the first target: without a tolerance there is no "on grade". */
  askForTolerance(command, forms, context) {
    const { say, units, model } = context;
    if (model.state?.tolerance || !KINDS.concat("target/profile").includes(command)) return;
    const answers = toleranceChips({ say, units }).map(({ text, body }) => ({ label: text, values: body }));
    forms.question({ text: say("ask.tolerance"), answers }, (body) => forms.ask("target/tolerance", body));
  }
}
