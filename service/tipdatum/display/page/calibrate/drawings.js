// The arm as it stands and as it shall stand, and a plumb bob that comes to rest with the machine.

const NS = "http://www.w3.org/2000/svg";

function draw(svg, parts) {
  const wanted = parts.map(([tag, attributes]) => tag + JSON.stringify(attributes)).join();
  if (svg.dataset.drawn === wanted) return;
  svg.dataset.drawn = wanted;
  svg.replaceChildren(...parts.map(([tag, attributes, text]) => {
    const element = document.createElementNS(NS, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text) element.textContent = text;
    return element;
  }));
}

const TRACKS = [[-1.6, 0.35], [-1.3, 0], [1.3, 0], [1.6, 0.35], [1.3, 0.7], [-1.3, 0.7]];
const HOUSE = [[-2, 0.95], [1.3, 0.95], [1.3, 1.3], [0.1, 1.45], [0.1, 1.75], [-1.9, 1.85]];

/** Live arm in ink, the wanted posture dashed. */
export function drawArm(svg, view, say) {
  const pins = view?.pins, wanted = view?.wanted;
  const known = pins ?? wanted;
  if (!known) {
    draw(svg, []);
    return;
  }
  const boom = Math.hypot(known[1][0] - known[0][0], known[1][1] - known[0][1]);
  const size = boom / 4.6;
  const length = known.slice(1).reduce((sum, p, i) => sum + Math.hypot(p[0] - known[i][0], p[1] - known[i][1]), 0);
  const left = -2.3 * size, right = known[0][0] + length * 1.02, top = known[0][1] + 0.97 * boom;
  const foot = Math.min(-0.06 * length, ...[...(pins ?? []), ...(wanted ?? [])].map(([, z]) => z - 0.03 * length));
  svg.setAttribute("viewBox", `${left} ${-top} ${right - left} ${top - foot}`);
  const path = (points, close = "") => `M${points.map(([x, z]) => `${x.toFixed(3)} ${(-z).toFixed(3)}`).join("L")}${close}`;
  const thin = 0.035 * size;
  const parts = [["path", { d: `M${left} 0H${right}`, class: "ground", "stroke-width": thin }]];
  for (const outline of [TRACKS, HOUSE]) parts.push(["path", { d: path(outline.map(([x, z]) => [x * size, z * size]), "Z"), class: "body", "stroke-width": thin }]);
  if (wanted) {
    parts.push(["path", { d: path(wanted), class: "wanted", "stroke-width": 0.09 * size, "stroke-dasharray": `${0.28 * size} ${0.16 * size}` }]);
    parts.push(["circle", { cx: wanted.at(-1)[0], cy: -wanted.at(-1)[1], r: 0.13 * size, class: "wanted", "stroke-width": 0.06 * size }]);
  }
  if (pins) {
    parts.push(["path", { d: path(pins), class: "live", "stroke-width": 0.17 * size }]);
    for (const [x, z] of pins) parts.push(["circle", { cx: x, cy: -z, r: 0.11 * size, class: "pin", "stroke-width": 0.05 * size }]);
  }
  draw(svg, parts);
  svg.setAttribute("aria-label", say(wanted ? "guide.drawing.both" : "guide.drawing"));
}

const CORNERS = [[-1, -1], [1, -1], [1, 1], [-1, 1]];

/**
 * A loose sensor as it lies, seen aslant from above, with its axes; `lies` is which way is up in them. Which way
 * it looks across the table nothing tells: the axis that lies flattest points to the right.
 */
export function drawLoose(svg, lies, say) {
  const flat = lies.map(Math.abs).indexOf(Math.min(...lies.map(Math.abs)));
  const along = [0, 1, 2].map((i) => (i === flat ? 1 : 0) - lies[flat] * lies[i]);
  const size = Math.hypot(...along);
  const x = along.map((v) => v / size);
  const y = [lies[1] * x[2] - lies[2] * x[1], lies[2] * x[0] - lies[0] * x[2], lies[0] * x[1] - lies[1] * x[0]];
  // Sensor's axes → right, away and up → paper.
  const at = (v) => {
    const [right, away, up] = [x, y, lies].map((axis) => axis[0] * v[0] + axis[1] * v[1] + axis[2] * v[2]);
    return [right + 0.45 * away, -up - 0.3 * away];
  };
  const depth = (v) => lies[0] * v[0] + lies[1] * v[1] + lies[2] * v[2] - 0.9 * (y[0] * v[0] + y[1] * v[1] + y[2] * v[2]);
  const half = [0.62, 0.45, 0.2];
  const faces = [0, 1, 2].flatMap((k) => [-1, 1].map((side) => {
    const normal = [0, 1, 2].map((i) => (i === k ? side : 0));
    const [a, b] = [0, 1, 2].filter((i) => i !== k);
    const corners = CORNERS.map(([p, q]) => at([0, 1, 2].map((i) => half[i] * (i === k ? side : i === a ? p : i === b ? q : 0))));
    return { seen: depth(normal), d: `M${corners.map(([p, q]) => `${p.toFixed(3)} ${q.toFixed(3)}`).join("L")}Z` };
  }));
  const lowest = Math.max(...[-1, 1].flatMap((a) => [-1, 1].flatMap((b) => [-1, 1].map((c) => at([a * half[0], b * half[1], c * half[2]])[1]))));
  const parts = [["path", { d: `M-1.9 ${lowest}H1.9`, class: "ground", "stroke-width": 0.03 }]];
  for (const { seen, d } of faces) if (seen > 0) parts.push(["path", { d, class: "body", "stroke-width": 0.03 }]);
  for (const [i, name] of ["x", "y", "z"].entries()) {
    const tip = at([0, 1, 2].map((k) => (k === i ? 1.25 : 0)));
    const word = at([0, 1, 2].map((k) => (k === i ? 1.45 : 0)));
    parts.push(["path", { d: `M0 0L${tip[0].toFixed(3)} ${tip[1].toFixed(3)}`, class: Math.abs(lies[i]) > 0.6 ? "live" : "wanted", "stroke-width": 0.06 }]);
    parts.push(["text", { x: word[0].toFixed(3), y: (word[1] + 0.08).toFixed(3), class: "axis", "text-anchor": "middle" }, name]);
  }
  svg.setAttribute("viewBox", "-2 -1.75 4 3.3");
  draw(svg, parts);
  svg.setAttribute("aria-label", say("guide.drawing.loose"));
}

/** A bob on its line: aside while the machine moves, plumb when it rests; the scale under it fills with time. */
export function drawBob(svg, view) {
  if (!view?.still) {
    draw(svg, []);
    return;
  }
  const { seconds, needed } = view.still;
  const share = view.stage === "swing" ? 0 : Math.min(1, seconds / (needed - 0.5));
  const aside = (1 - share) * 26;
  const x = 60 + aside, y = 68 - aside * 0.12;
  const parts = [
    ["path", { d: "M36 4H84", class: "hook" }],
    ["path", { d: `M60 4L${x} ${y}`, class: "line" }],
    ["path", { d: `M${x - 9} ${y}h18l-3 14-6 12-6-12Z`, class: "bob" }],
    ["path", { d: "M60 96V104", class: "line" }],
    ["rect", { x: 10, y: 104, width: 100, height: 9, class: "scale" }],
    ["rect", { x: 10, y: 104, width: 100 * share, height: 9, class: "filled" }],
  ];
  for (let k = 1; k < needed; k++) parts.push(["path", { d: `M${10 + (100 * k) / needed} 104v9`, class: "tick" }]);
  draw(svg, parts);
}
