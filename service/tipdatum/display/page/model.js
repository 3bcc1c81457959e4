// What the page knows, and whether it may still say it. No drawing, no sockets, no clock of its own:
// `now` is always an argument, in milliseconds of performance.now().

/** Without a new tip message for this long, the figure goes. */
export const STALE_MS = 400;
/** A tip message that comes this much later than the quickest ones did is not shown as the present. */
export const LATE_MS = 400;
/** How fast the quickest delay may grow by itself: two clocks that drift apart, 1 ms a second. */
const DRIFT = 0.001;

/**
 * How late messages are, compared with the quickest: a stalled network delivers its backlog in one go,
 * and a burst of old figures looks just as lively as new ones.
 */
export class Lateness {
  #quickest = Infinity; #lastT = -Infinity; #lastNow = 0;

  /** Takes a message's session time in seconds; returns its lateness in milliseconds. */
  take(t, now) {
    const delay = now - t * 1000;
    if (t < this.#lastT) this.#quickest = Infinity; // the service, or a replay, started anew
    const drift = Number.isFinite(this.#quickest) ? DRIFT * (now - this.#lastNow) : 0;
    this.#quickest = Math.min(this.#quickest + drift, delay);
    this.#lastT = t;
    this.#lastNow = now;
    return delay - this.#quickest;
  }
}

export class Model {
  tip = null; arm = null; state = null; about = null; status = null;
  health = new Map(); changes = []; events = [];
  link = { state: "connecting", reason: "" };
  #tipAt = -Infinity; #tipLate = 0; #lateness = new Lateness();

  /** Takes one message; `name` is the topic below tipdatum/<machine id>/. Returns what kind it was. */
  accept(name, message, now) {
    const [kind, part] = name.split("/");
    if (kind === "tip") {
      this.tip = message;
      this.#tipAt = now;
      this.#tipLate = this.#lateness.take(message.t, now);
    } else if (kind === "arm") this.arm = message;
    else if (kind === "state") this.state = message;
    else if (kind === "about") this.about = message;
    else if (kind === "status") this.status = message;
    else if (kind === "health") this.health.set(part, message);
    else if (kind === "changes") this.changes = message.changes;
    else if (kind === "event") this.events = [...this.events.slice(-49), message];
    return kind;
  }

  setLink(state, reason) {
    // While it tries again, what went wrong the last time is still the news.
    const kept = state === "connecting" ? this.link.reason : reason;
    this.link = { state, reason: kept };
  }

  /** Why no live figure may be shown at `now`: `{key, detail}` of the catalogue, or null. */
  silence(now) {
    if (this.link.state === "refused") return { key: "link.refused", detail: this.link.reason };
    if (this.link.state !== "connected") {
      const since = now - Math.max(this.#tipAt, 0);
      let key = "link.lost";
      if (this.link.reason === "turned away") key = "link.turned-away";
      else if (!this.link.reason) key = "link.connecting";
      return { key, seconds: this.#tipAt === -Infinity ? null : since / 1000 };
    }
    if (this.status?.state === "offline") return { key: "service.offline", detail: this.status.reason ?? "" };
    const age = now - this.#tipAt;
    if (age > STALE_MS) {
      return { key: this.tip ? "tip.silent" : "tip.waiting", seconds: this.tip ? age / 1000 : null };
    }
    if (this.#tipLate > LATE_MS) return { key: "tip.late", seconds: this.#tipLate / 1000 };
    return null;
  }

  /**
   * The one large figure at `now`:
   * `{kind: "deviation" | "elevation", value, sigma, verdict}` or `{kind: "none", why: {key, ...}}`.
   */
  figure(now) {
    const why = this.silence(now);
    if (why) return { kind: "none", why };
    const { tip } = this;
    if (tip.quality === "stale" || tip.quality === "invalid" || tip.sigma_m === null) {
      return { kind: "none", why: { key: `quality.${tip.quality}`, reasons: tip.reasons } };
    }
    if (tip.elevation_m === null) {
      return { kind: "none", why: { key: `datum.${tip.datum}`, reasons: tip.reasons } };
    }
    if (tip.deviation_m !== null) {
      return { kind: "deviation", value: tip.deviation_m, sigma: tip.sigma_m, verdict: verdict(tip, this.state?.target) };
    }
    return { kind: "elevation", value: tip.elevation_m, sigma: tip.sigma_m, verdict: this.#withoutDeviation(tip) };
  }

  #withoutDeviation(tip) {
    if (tip.datum === "doubtful") return "doubtful";
    return this.state?.target ? "no-deviation" : "no-target";
  }
}

/** Tolerance band of a target, metres above and below it (both positive); zeros where it has none. */
export function tolerance(target) {
  return { above: target?.tolerance_above_m ?? 0, below: target?.tolerance_below_m ?? 0 };
}

/** "above", "below", "on-grade" or "cannot-judge", as the service says, or from the band where it does not. */
export function verdict(tip, target) {
  if (tip.judgement) return tip.judgement.replaceAll("_", "-").replaceAll(" ", "-");
  const { above, below } = tolerance(target);
  if (tip.deviation_m > above) return "above";
  if (tip.deviation_m < -below) return "below";
  return 2 * tip.sigma_m > Math.max(above, below) ? "cannot-judge" : "on-grade";
}
