// What the page knows, and whether it may still say it. No drawing, no sockets, no clock of its own:
// `now` is always an argument, in milliseconds of performance.now().

/** Without a new tip message for this long, the figure goes. */
export const STALE_MS = 400;
/** A tip message that comes this much later than the quickest ones did is not shown as the present. */
export const LATE_MS = 400;
/** Limits are published less often than tips. */
const LIMITS_MS = 1000;
const WORST = ["beyond", "near", "unknown"];
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
  limits = []; health = new Map(); changes = []; events = [];
  link = { state: "connecting", reason: "" };
  #tipAt = -Infinity; #tipLate = 0; #limitsAt = -Infinity; #lateness = new Lateness();

  /** Takes one message; `name` is the topic below tipdatum/<machine id>/. Returns what kind it was. */
  accept(name, message, now) {
    const [kind, part] = name.split("/");
    if (kind === "tip") {
      this.tip = message;
      this.#tipAt = now;
      this.#tipLate = this.#lateness.take(message.t, now);
    } else if (kind === "arm") this.arm = message;
    else if (kind === "limits") {
      this.limits = message.limits;
      this.#limitsAt = now;
    } else if (kind === "state") this.state = message;
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

  /**
   * Limits that ask for attention, the most urgent first: those passed, then those that will be reached soonest,
   * then those that nobody watches. Those that were set and of which nothing current is heard are "unknown".
   */
  warnings(now) {
    const set = this.state?.limits ?? [];
    const current = this.silence(now) === null && now - this.#limitsAt < LIMITS_MS;
    const heard = current ? this.limits : set.map(({ kind, note }) => ({ kind, note, state: "unknown" }));
    const left = (one) => one.distance_m ?? (one.distance_deg ?? Infinity) / 10;
    const soon = (one) => one.time_s ?? Infinity;
    return heard.filter(({ state }) => state !== "within").sort((a, b) =>
      WORST.indexOf(a.state) - WORST.indexOf(b.state) || (soon(a) - soon(b) || 0) || (left(a) - left(b) || 0));
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
   * `{kind: "deviation" | "elevation", value, point, sigma, verdict}` or `{kind: "none", why: {key, ...}}`.
   */
  figure(now) {
    const why = this.silence(now);
    if (why) return { kind: "none", why };
    const { tip } = this;
    if (tip.quality === "stale" || tip.quality === "invalid" || tip.sigma_m === null) {
      return { kind: "none", why: { key: `quality.${tip.quality}`, reasons: tip.reasons, said: tip.reasons_said } };
    }
    if (tip.deviation_m !== null) {
      const { point, value } = governing(tip);
      return { kind: "deviation", value, point, sigma: sigmaOf(tip), verdict: verdict(tip, tolerance(this.state)) };
    }
    if (tip.elevation_m === null) {
      return { kind: "none", why: { key: `datum.${tip.datum}`, reasons: tip.reasons, said: tip.reasons_said } };
    }
    return { kind: "elevation", value: tip.elevation_m, sigma: tip.sigma_m, verdict: this.#withoutDeviation(tip) };
  }

  #withoutDeviation(tip) {
    if (tip.datum === "doubtful") return "doubtful";
    return this.state?.target ? "no-deviation" : "no-target";
  }
}

/** The tolerance band, metres above and below the target (both positive); null where none is set. */
export function tolerance(state) {
  const band = state?.tolerance;
  return band ? { above: band.above_m, below: band.below_m } : null;
}

/**
 * The point of the bucket that lies lowest against the target, and its deviation: the one large figure is about
 * the point that would dig too deep first.
 */
export function governing({ governing: point, governing_deviation_m: value, deviation_m: tip }) {
  return point && typeof value === "number" ? { point, value } : { point: "tip", value: tip };
}

/** 1-sigma of the governing point's deviation, metres. */
export function sigmaOf({ governing_sigma_m: own, sigma_m: tip }) {
  return typeof own === "number" ? own : tip;
}

/**
 * "above", "below", "on-grade" or "cannot-judge", as the service judges against the band. What lies outside by
 * more than two sigma is above or below, however narrow the band; without a band it is one side or the other.
 */
export function verdict(tip, band) {
  const sigma = sigmaOf(tip);
  const { point, value: deviation } = governing(tip);
  if (!band) return deviation > 0 ? "above" : "below";
  if (deviation - 2 * sigma > band.above) return "above";
  if (deviation + 2 * sigma < -band.below) return "below";
  const judged = tip.governing_judgement ?? (point === "tip" ? tip.judgement : null);
  if (judged) return judged.replace(" ", "-");
  if (2 * sigma > (band.above + band.below) / 2) return "cannot-judge";
  if (deviation > band.above) return "above";
  return deviation < -band.below ? "below" : "on-grade";
}
