// The units that people read and type. Inside the page everything is metres; this module alone converts.

const FOOT = 0.3048; // international foot, exact by definition
const INCH = FOOT / 12;

/**
 * Each set: unit of elevations and reaches, unit of deviations, unit of a typed number that names none, and
 * the steps a figure is rounded to, in metres.
 */
export const UNIT_SETS = {
  mm: { long: "m", short: "mm", entry: "m", steps: [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1] },
  cm: { long: "m", short: "cm", entry: "m", steps: [0.001, 0.005, 0.01, 0.02, 0.05, 0.1] },
  m: { long: "m", short: "m", entry: "m", steps: [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1] },
  ft: { long: "ft", short: "ft", entry: "ft", steps: [0.01, 0.02, 0.05, 0.1, 0.2].map((s) => s * FOOT) },
  "ft-in": { long: "ft-in", short: "in", entry: "ft", steps: [1 / 8, 1 / 4, 1 / 2, 1, 2].map((s) => s * INCH) },
};

const METRES = { m: 1, cm: 0.01, mm: 0.001, ft: FOOT, in: INCH };

/** The step that a figure with this sigma is worth: digits below the noise would only flicker. */
export function stepFor(sigma, set) {
  const { steps } = UNIT_SETS[set];
  return steps.find((step) => step >= 0.7 * sigma) ?? steps.at(-1);
}

/** Half away from zero, so that +2.5 and -2.5 are the same size. */
function roundHalfUp(x) {
  return Math.sign(x) * Math.floor(Math.abs(x) + 0.5 + 1e-9);
}

function decimals(value, places, comma) {
  const text = value.toFixed(places);
  return comma ? text.replace(".", ",") : text;
}

/** Eighths of an inch in words: 27 → "3 3/8"; `zero` writes "0 1/4", as beside feet. */
function inchText(eighths, zero = false) {
  const whole = Math.floor(eighths / 8);
  let above = eighths % 8, below = 8;
  while (above && above % 2 === 0) { above /= 2; below /= 2; }
  if (!above) return `${whole}`;
  return whole || zero ? `${whole} ${above}/${below}` : `${above}/${below}`;
}

function placesFor(step, unitMetres) {
  return Math.max(0, Math.ceil(-Math.log10(step / unitMetres) - 1e-9));
}

/**
 * A length as `{negative, digits, unit}`, rounded to `step` metres. `kind` is "long" (elevations, reach)
 * or "short" (deviations); `comma` writes a decimal comma.
 */
export function formatLength(metres, kind, set, { step = UNIT_SETS[set].steps[0], comma = false } = {}) {
  const unit = UNIT_SETS[set][kind];
  const steps = roundHalfUp(metres / step);
  const size = Math.abs(steps) * step;
  const negative = steps < 0;
  if (unit === "ft-in" || unit === "in") {
    const eighths = Math.round((size / INCH) * 8);
    const feet = Math.floor(eighths / 96);
    if (unit === "ft-in" || feet) {
      return { negative, digits: `${feet}′ ${inchText(eighths % 96, true)}″`, unit: "" };
    }
    return { negative, digits: inchText(eighths), unit: "in" };
  }
  return { negative, digits: decimals(size / METRES[unit], placesFor(step, METRES[unit]), comma), unit };
}

/** The same in one string with a true minus sign; `sign` writes the plus as well. */
export function lengthText(metres, kind, set, options = {}) {
  const { negative, digits, unit } = formatLength(metres, kind, set, options);
  const sign = negative ? "−" : options.sign && /[1-9]/.test(digits) ? "+" : "";
  return `${sign}${digits}${unit ? " " + unit : ""}`;
}

/** Round steps for an axis so that ticks stand at least `minimum` metres apart. */
export function axisStep(minimum, set) {
  const unit = METRES[UNIT_SETS[set].long === "m" ? "m" : "ft"];
  const nice = [0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20];
  return (nice.find((step) => step * unit >= minimum) ?? 50) * unit;
}

/** An axis label: as few digits as the step needs. */
export function axisText(metres, step, set, comma) {
  const unit = METRES[UNIT_SETS[set].long === "m" ? "m" : "ft"];
  const text = decimals(Math.abs(metres) / unit, Math.min(2, placesFor(step, unit)), comma);
  return (metres < -1e-9 ? "−" : "") + text;
}

// --- entry -------------------------------------------------------------------------------------------

const NUMBER = String.raw`(?:\d+(?:[.,]\d*)?|[.,]\d+)`;
const FRACTION = String.raw`(?:(\d+)\s+)?(\d+)\s*\/\s*(\d+)`;
const DECIMAL_UNIT = new RegExp(`^(${NUMBER})\\s*(m|cm|mm|ft|in|'|")?$`);
const FEET_INCHES = new RegExp(`^(?:(${NUMBER})\\s*(?:'|ft)\\s*)?(?:(?:${FRACTION}|(${NUMBER}))\\s*(?:"|in)?)?$`);

function number(text) {
  return Number(text.replace(",", "."));
}

/**
 * What somebody typed as a length: `{metres}`, or `{error: "empty" | "unreadable"}`. A number without a
 * unit is taken in `unit` ("m", "cm", "mm", "ft" or "in").
 */
export function parseLength(typed, unit) {
  const text = typed.trim().toLowerCase().replace(/[−–]/g, "-").replace(/[′’]/g, "'").replace(/[″”]|''/g, '"');
  if (!text) return { error: "empty" };
  const [, sign, size] = /^([+-]?)\s*(.*)$/.exec(text);
  const factor = sign === "-" ? -1 : 1;
  const plain = DECIMAL_UNIT.exec(size);
  if (plain) {
    const given = { "'": "ft", '"': "in" }[plain[2]] ?? plain[2] ?? unit;
    return { metres: factor * number(plain[1]) * METRES[given] };
  }
  const mixed = FEET_INCHES.exec(size);
  if (!mixed || !/['"]|ft|in|\//.test(size)) return { error: "unreadable" };
  const [, feet, whole, above, below, inches] = mixed;
  if (below !== undefined && Number(below) === 0) return { error: "unreadable" };
  const fraction = above === undefined ? 0 : Number(whole ?? 0) + Number(above) / Number(below);
  const total = (inches === undefined ? fraction : number(inches)) * INCH + number(feet ?? "0") * FOOT;
  return { metres: factor * total };
}

const GRADES = [
  [new RegExp(`^(${NUMBER})\\s*(?:%|percent)$`), ([, a]) => number(a) / 100],
  [new RegExp(`^(${NUMBER})\\s*‰$`), ([, a]) => number(a) / 1000],
  [new RegExp(`^(${NUMBER})\\s*(?:°|deg)$`), ([, a]) => Math.tan((number(a) * Math.PI) / 180)],
  [new RegExp(`^(\\d+)\\s*/\\s*(\\d+)\\s*(?:"|in)?\\s*(?:/|per)\\s*(?:ft|foot)$`), ([, a, b]) => Number(a) / Number(b) / 12],
  [new RegExp(`^(${NUMBER})\\s*(?:"|in)\\s*(?:/|per)\\s*(?:ft|foot)$`), ([, a]) => number(a) / 12],
  [new RegExp(`^(${NUMBER})\\s*v\\s*:\\s*(${NUMBER})\\s*h$`), ([, a, b]) => number(a) / number(b)],
  [new RegExp(`^(${NUMBER})\\s*h\\s*:\\s*(${NUMBER})\\s*v$`), ([, a, b]) => number(b) / number(a)],
];
const RATIO = new RegExp(`^(${NUMBER})\\s*(?::|in)\\s*(${NUMBER})$`);

/**
 * What somebody typed as a grade: `{ratio}` of rise to run, or `{error, hint}`. A bare ratio steeper than
 * 1 to 5 is refused: on slopes the trade writes it both ways round.
 */
export function parseGrade(typed) {
  const text = typed.trim().toLowerCase().replace(/[−–]/g, "-").replace(/[″”]/g, '"');
  if (!text) return { error: "empty" };
  const [, sign, size] = /^([+-]?)\s*(.*)$/.exec(text);
  const factor = sign === "-" ? -1 : 1;
  for (const [form, value] of GRADES) {
    const found = form.exec(size);
    if (found && Number.isFinite(value(found))) return { ratio: factor * value(found) };
  }
  const found = RATIO.exec(size);
  if (!found || number(found[1]) === 0 || number(found[2]) === 0) return { error: "unreadable" };
  const [rise, run] = [number(found[1]), number(found[2])];
  if (rise / run > 1 / 5) return { error: "ambiguous", hint: `${percentText(rise / run)}, ${percentText(run / rise)}` };
  return { ratio: (factor * rise) / run };
}

/** A ratio as percent, with as many decimals as it needs up to two. */
export function percentText(ratio, comma = false) {
  const text = String(Math.round(ratio * 10000) / 100).replace("-", "−");
  return `${comma ? text.replace(".", ",") : text} %`;
}
