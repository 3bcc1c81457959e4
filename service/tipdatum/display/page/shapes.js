// The machine as silhouettes, from its description: tracks, house, boom, stick, bucket, and the linkage where it
// is described. What a description does not tell is drawn in the proportions of any excavator; pins and lengths
// are to scale. Points are `{reach, elevation}` in metres of the drawing.

const turned = (pin, angle, x, z) => ({
  reach: pin.reach + x * Math.cos(angle) - z * Math.sin(angle),
  elevation: pin.elevation + x * Math.sin(angle) + z * Math.cos(angle),
});

function frame(from, to) {
  const [dx, dz] = [to.reach - from.reach, to.elevation - from.elevation];
  return { angle: Math.atan2(dz, dx), length: Math.hypot(dx, dz) };
}

/** A body between two pins: `outline` in parts of their distance, x towards the other pin, z to its left. */
function between(from, to, outline) {
  const { angle, length } = frame(from, to);
  return outline.map(([x, z]) => turned(from, angle, x * length, z * length));
}

/** A boom has its knee above the straight line of its pins; a second section of the arm has none. */
const BOOM = [[0, 0.045], [0.12, 0.075], [0.42, 0.19], [0.52, 0.195], [0.97, 0.05], [1.03, 0], [0.97, -0.035], [0.52, 0.075], [0.44, 0.075], [0.1, -0.04], [0, -0.045], [-0.03, 0]];
const STRAIGHT = [[0, 0.06], [0.97, 0.05], [1.03, 0], [0.97, -0.04], [0, -0.05], [-0.03, 0]];
const STICK = [[-0.26, 0.02], [-0.24, 0.09], [0, 0.13], [0.3, 0.1], [0.97, 0.045], [1.04, 0], [0.97, -0.04], [0, -0.07], [-0.2, -0.03]];
/** Edge, floor, heel, back and ears of a bucket, in parts of pin to tip, on the side away from the cab. */
const BUCKET = [[1, 0], [0.97, 0.1], [0.8, 0.42], [0.52, 0.6], [0.2, 0.52], [-0.02, 0.3], [-0.09, 0.06], [-0.03, -0.08], [0.12, -0.07], [0.6, -0.02]];

export function bucketOf(machine, name) {
  return machine?.bucket?.find((one) => one.name === name) ?? machine?.bucket?.[0] ?? null;
}

/** The arm's silhouettes in the order they are drawn: `{name, points}`. */
export function armShapes(machine, name, pins, bucketDeg = null) {
  if (!pins || pins.length < 3) return [];
  const shapes = [];
  for (let i = 0; i < pins.length - 2; i += 1) {
    const body = i === pins.length - 3 ? STICK : i === 0 && pins.length === 4 ? BOOM : i === 0 ? BOOM : STRAIGHT;
    shapes.push({ name: i === pins.length - 3 ? "stick" : "boom", points: between(pins[i], pins[i + 1], body) });
  }
  const [pin, tip] = pins.slice(-2);
  const outline = bucketOf(machine, name)?.outline_m;
  // The bucket's own x axis; on a coupler, and tilted, its tip lies beside it.
  const angle = bucketDeg === null ? frame(pin, tip).angle : (bucketDeg * Math.PI) / 180;
  // A described outline runs from the tip over floor, heel and back; it closes over the pin.
  const points = outline?.length ? [tip, ...outline.map(([x, z]) => turned(pin, angle, x, z)), pin] : between(pin, tip, BUCKET);
  return [...linkage(machine, name, pins, angle), ...shapes, { name: "bucket", points }];
}

/** Rocker and link as bars: their pins follow from the bucket's angle, two circles that meet. */
function linkage(machine, name, pins, bucketAngle) {
  const described = machine?.linkage;
  if (!described) return [];
  const [stickPin, bucketPin] = pins.slice(-3);
  const stick = frame(stickPin, bucketPin).angle;
  const ear = bucketOf(machine, name)?.bucket_ear_m ?? described.bucket_ear_m;
  const earAngle = ((bucketOf(machine, name)?.bucket_ear_angle_deg ?? described.bucket_ear_angle_deg) * Math.PI) / 180;
  const pivot = turned(stickPin, stick, ...described.rocker_pivot_m);
  const onBucket = turned(bucketPin, bucketAngle + earAngle, ear, 0);
  const { angle, length } = frame(pivot, onBucket);
  const [a, b] = [described.rocker_m, described.link_m];
  const along = (a * a - b * b + length * length) / (2 * length);
  const off = Math.sqrt(Math.max(0, a * a - along * along));
  const candidates = [off, -off].map((z) => turned(pivot, angle, along, z));
  // Of the two places the one that this assembly has: the link's pin left (1) or right of rocker pin to bucket pin.
  const side = (joint) => Math.sign((bucketPin.reach - joint.reach) * (onBucket.elevation - joint.elevation)
    - (bucketPin.elevation - joint.elevation) * (onBucket.reach - joint.reach));
  const joint = candidates.find((one) => side(one) === described.assembly) ?? candidates[0];
  return [{ name: "rocker", points: [pivot, joint], bar: true }, { name: "link", points: [joint, onBucket], bar: true }];
}

/** Tracks and house around the slew axis; `ground` is the elevation of the tracks' underside. */
export function standShapes(machine, ground) {
  if (!machine?.boom) return [];
  const foot = machine.boom.foot_m;
  const size = (foot[2] || 1.7) / 1.75; // the foot pin's height tells how large the machine is
  const half = (machine.undercarriage?.contact_length_m ?? 2.7 * size) / 2;
  const up = (points) => points.map(([x, z]) => ({ reach: x, elevation: ground + z * size }));
  const track = half + 0.38 * size;
  return [
    { name: "tracks", points: up([[-half, 0], [half, 0], [track, 0.38], [half, 0.78], [-half, 0.78], [-track, 0.38]]), tracks: { half, radius: 0.38 * size, middle: ground + 0.39 * size } },
    { name: "ring", points: up([[-0.5 * size, 0.78], [0.5 * size, 0.78], [0.5 * size, 0.95], [-0.5 * size, 0.95]]) },
    { name: "house", points: up([[-2.0 * size, 0.95], [1.15 * size, 0.95], [1.2 * size, 1.32], [0.0, 1.42], [-0.1 * size, 1.95], [-1.75 * size, 1.95], [-2.05 * size, 1.5]]) },
    { name: "cab", points: up([[0.12 * size, 1.4], [1.18 * size, 1.32], [1.3 * size, 2.0], [0.98 * size, 2.85], [0.12 * size, 2.85]]) },
  ];
}
