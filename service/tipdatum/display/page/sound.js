// Deviation for the ears, so that the eyes can stay on the trench. Off until somebody asks for it.
//
// Pitch says the side: high above the target, low below it. Rhythm says how far: the nearer, the quicker
// the notes; on grade one long even note. Silence means that there is no figure.

const HIGH_HZ = 784, EVEN_HZ = 523, LOW_HZ = 262; // G5, C5, C4: a fifth above and an octave below
const FAR_M = 0.5;

/** What to sound for a figure: `{hz, gap}` with the gap between notes in seconds, or null for silence. */
export function noteFor(figure) {
  if (figure.kind !== "deviation" || figure.verdict === "cannot-judge") return null;
  if (figure.verdict === "on-grade") return { hz: EVEN_HZ, gap: 0 };
  const far = Math.min(1, Math.abs(figure.value) / FAR_M);
  return { hz: figure.verdict === "above" ? HIGH_HZ : LOW_HZ, gap: 0.12 + 0.88 * far };
}

export class Sound {
  #audio = null; #gain = null; #tone = null; #nextAt = 0;

  get on() {
    return this.#audio !== null;
  }

  /** Must be called from a touch or click: browsers let no page sound by itself. */
  turn(on) {
    if (on === this.on) return;
    if (!on) {
      this.#audio.close();
      this.#audio = null;
      return;
    }
    this.#audio = new AudioContext();
    this.#gain = this.#audio.createGain();
    this.#gain.gain.value = 0;
    this.#tone = this.#audio.createOscillator();
    this.#tone.type = "triangle";
    this.#tone.connect(this.#gain).connect(this.#audio.destination);
    this.#tone.start();
    this.#nextAt = 0;
  }

  /** Call ten times a second or more. */
  follow(figure) {
    if (!this.#audio) return;
    const note = noteFor(figure);
    const now = this.#audio.currentTime;
    const level = this.#gain.gain;
    if (!note || note.gap === 0) {
      level.setTargetAtTime(note ? 0.12 : 0, now, 0.02);
      if (note) this.#tone.frequency.setTargetAtTime(note.hz, now, 0.01);
      this.#nextAt = 0;
      return;
    }
    if (now < this.#nextAt) return;
    this.#nextAt = now + 0.07 + note.gap;
    this.#tone.frequency.setValueAtTime(note.hz, now);
    level.cancelScheduledValues(now);
    level.setTargetAtTime(0.25, now, 0.005);
    level.setTargetAtTime(0, now + 0.07, 0.02);
  }
}
