"""Where the adjustment begins: angles from the sensors, and a scan of the rocker's mount.

Least squares goes downhill; the start decides which valley. Bodies with a sensor of their own start from
what it reads through the described mount. The bucket behind a linkage is the hard case: dimensions off by
a tape's error and a mount off by degrees may not close at all, or close on the wrong side of a slope that
a level cannot tell from its mirror. So the rocker's mount is scanned, each scan value scored by the
measured bucket slopes and tip heights, and the best few valleys are all solved.

A described length that is wrong by decimetres keeps a linkage from closing at all, whatever its sensor says.
Where slopes and heights of a link's two pins agree on another one, that is a start too.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace

import numpy as np

from tipdatum.calibration import joints
from tipdatum.calibration.orientation import found_mounts
from tipdatum.calibration.parameters import start_mounts
from tipdatum.calibration.unknowns import (
    ANGLES,
    BUCKET,
    ROCKER,
    ROLL,
    SLEW,
    STICK,
    SWING,
    TILT,
    Setup,
    arm_angles,
    length_names,
)
from tipdatum.kinematics.frames import Array, elevation_angle, roll_angle, rotation_from_rpy_deg, wrap
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import Machine

SCAN_STEP_DEG = 1.5
VALLEYS = 3
"""How many minima of the scan are solved in full."""

STEEP = 0.3
"""Sine of a slope from which the rise over it tells a length: reading it 0.1° wrong makes half a percent."""

FEWEST_LENGTHS = 3
"""Postures from which a median outvotes one slip."""

RULED_OUT = 0.03
"""Share by which a length must be another to be a start: far more than tape, level and staff leave open, and
about what a linkage takes before it no longer closes."""

MOST_MIRRORED = 3
"""Rests that are tried both ways."""

_HANGING = math.radians(-90.0)


@dataclass(slots=True)
class Start:
    """Mounts to turn from, and values of unknowns by name."""

    mounts: list[Array]
    values: dict[str, float] = field(default_factory=dict)
    label: str = "as described"


def starts(setup: Setup) -> list[Start]:
    """Promising starts, best first; at least one.

    Mounts that swings and slopes contradict are tried both ways: what contradicts them may be the slip.
    """
    described = start_mounts(setup)
    found = found_mounts(setup, described)
    same = all(a is b for a, b in zip(described, found, strict=True))
    ways = [("as described", described)] + ([] if same else [("mounts as the motions show them", found)])
    begun = [start for label, mounts in ways for start in _starts(setup, mounts, label)]
    measured = measured_lengths(setup)
    if measured:
        other = replace(setup, machine=with_lengths(setup.machine, measured))
        names = dict(zip(setup.machine.sections, length_names(setup.machine), strict=True))
        values = {names[section]: length for section, length in measured.items()}
        for label, mounts in ways:
            words = f"{label}, {' and '.join(f'{k} {v:.2f} m' for k, v in measured.items())}"
            begun += [with_values(start, values) for start in _starts(other, mounts, words)]
    return begun


def measured_lengths(setup: Setup) -> dict[str, float]:
    """Section → its length, m, where slopes and heights of its pins rule the described one out.

    In each posture the rise between the pins is the length times the sine of the slope; the median of some is
    none that a slip in one of them makes.
    """
    m = setup.machine
    read: dict[tuple[int, str, str], float] = {}
    for o in setup.observations:
        if o.kind in ("slope", "height") and o.place in setup.of_window and o.value is not None:
            read[setup.of_window[o.place], o.kind, o.of] = o.value
    described = dict(zip(m.sections, m.straight_chain().lengths, strict=True))
    found: dict[str, float] = {}
    for section, near, far in zip(m.sections, m.pins, m.pins[1:], strict=False):
        lengths = []
        for w in range(len(setup.windows)):
            slope = read.get((w, "slope", section))
            rise = [read.get((w, "height", pin)) for pin in (near, far)]
            if slope is None or None in rise or abs(math.sin(math.radians(slope))) < STEEP:
                continue
            lengths.append((rise[1] - rise[0]) / math.sin(math.radians(slope)))  # type: ignore[operator]
        if len(lengths) >= FEWEST_LENGTHS:
            length = float(np.median(lengths))
            if length > 0.0 and abs(length - described[section]) > RULED_OUT * described[section]:
                found[section] = length
    return found


def with_lengths(machine: Machine, lengths: dict[str, float]) -> Machine:
    """The machine with other lengths of some sections."""
    changes: dict[str, object] = {}
    for section, length in lengths.items():
        if section == "bucket":
            first = machine.bucket[0].model_copy(update={"tip_m": length})
            changes["bucket"] = (first, *machine.bucket[1:])
        else:
            changes[section] = getattr(machine, section).model_copy(update={"length_m": length})
    return machine.model_copy(update=changes)


def _starts(setup: Setup, mounts: list[Array], label: str) -> list[Start]:
    rocker = setup.sensor_on("rocker")
    if rocker is None or setup.sensor_on("bucket") is not None:
        return [_complete(setup, mounts, angles, label) for angles in _tilted(setup, mounts)]
    found = []
    for turn in _valleys(setup, mounts, rocker):
        turned = list(mounts)
        turned[rocker] = rotation_from_rpy_deg((0.0, math.degrees(turn), 0.0)) @ mounts[rocker]
        words = label
        if abs(turn) > math.radians(SCAN_STEP_DEG) / 2.0:
            words += f", rocker's mount turned by {math.degrees(turn):.1f}°"
        found.append(_complete(setup, turned, _angles(setup, turned), words))
    return found


def _tilted(setup: Setup, mounts: list[Array]) -> list[Array]:
    """Angles of the windows; more than one set where a bucket may be tilted to either side."""
    angles = _angles(setup, mounts)
    if not setup.tilts:
        return [angles]
    found = []
    alike = _curl_and_tilt(setup, mounts, angles)
    for which in itertools.product((False, True), repeat=len(alike)):
        other = angles.copy()
        for (w, way), turned in zip(alike, which, strict=True):
            if turned:
                other[w, BUCKET], other[w, TILT] = way.theta, way.tilt
        found.append(other)
    return found


def _angles(setup: Setup, mounts: list[Array]) -> Array:
    """(W, angles) rad from the sensors; a body without one stands as its slope was read, or hangs straight
    down."""
    angles = np.zeros((len(setup.windows), len(ANGLES)))
    angles[:, 2:6] = _HANGING
    angles[:, SWING] = _swings(setup)
    for w, window in enumerate(setup.windows):
        for s, name in enumerate(setup.sensors):
            rest = window.sensors.get(name)
            if rest is None:
                continue
            up = mounts[s] @ np.array(rest.accel_mps2)
            up /= np.linalg.norm(up)
            body = setup.bodies[s]
            if body == "upper":
                up = joints.about_z(up[None], -angles[w, SWING : SWING + 1])[0]
            angles[w, ANGLES.index(body)] = elevation_angle(up)
            if body == "upper":
                angles[w, ROLL] = roll_angle(up)
    for o in setup.observations:
        if o.kind == "slope" and o.place in setup.of_window and o.of in ANGLES:
            w, on_it = setup.of_window[o.place], setup.sensor_on(o.of)
            if on_it is None or setup.sensors[on_it] not in setup.windows[w].sensors:
                angles[w, ANGLES.index(o.of)] = math.radians(o.value or 0.0)
        if o.kind == "slew" and o.place in setup.of_window:
            angles[setup.of_window[o.place], SLEW] = math.radians(o.value or 0.0)
    if setup.has_linkage and setup.sensor_on("bucket") is None:
        _bucket_through_linkage(setup, angles)
    return angles


def _swings(setup: Setup) -> Array:
    """(W,) rad, as somebody read them, or the encoder tells."""
    found = np.full(len(setup.windows), joints.held_swing(setup.machine))
    zero = next((s.value for s in setup.stated_joints if s.name == joints.ZERO), 0.0)
    for _, w, told, _ in setup.encoded:
        found[w] = told - zero
    for o in setup.observations:
        if o.kind == "swing" and o.place in setup.of_window:
            found[setup.of_window[o.place]] = math.radians(o.value or 0.0)
    return found


def _curl_and_tilt(setup: Setup, mounts: list[Array], angles: Array) -> list[tuple[int, joints.TiltStart]]:
    """The bucket's curl and tilt where the tilt is unknown, from the sensor on the tilting part.

    Returns:
        Windows in which it may as well stand the other way, and how.
    """
    alike: list[tuple[int, joints.TiltStart]] = []
    s = setup.sensor_on("bucket")
    axis = setup.described_chain.tilt_axis
    assert s is not None
    assert axis is not None
    edges: dict[int, float] = {}
    told: dict[int, float] = {}
    for o in setup.observations:
        if o.place in setup.of_window and o.kind in ("cross_slope", "tilt"):
            kept = edges if o.kind == "cross_slope" else told
            kept[setup.of_window[o.place]] = math.radians(o.value or 0.0)
    for w in setup.free_angles[setup.free_angles[:, 1] == TILT, 0]:
        rest = setup.windows[w].sensors.get(setup.sensors[s])
        if rest is None:
            continue
        up = mounts[s] @ np.array(rest.accel_mps2)
        up /= np.linalg.norm(up)
        ways = joints.curl_and_tilt(axis, up, float(angles[w, ROLL]), edges.get(int(w)), told.get(int(w)))
        angles[w, BUCKET], angles[w, TILT] = ways[0].theta, ways[0].tilt
        if len(ways) > 1 and ways[1].misfit - ways[0].misfit < joints.ALIKE:
            alike.append((int(w), ways[1]))
    return sorted(alike, key=lambda one: one[1].misfit)[:MOST_MIRRORED]


def _bucket_through_linkage(setup: Setup, angles: Array) -> None:
    s = setup.sensor_on("rocker")
    name = setup.sensors[s] if s is not None else ""
    seen = np.array([name in w.sensors for w in setup.windows])
    relative = closest_bucket(setup.machine.four_bar(0), angles[:, ROCKER] - angles[:, STICK])
    angles[seen, BUCKET] = (angles[:, STICK] + relative)[seen]


def closest_bucket(bar: FourBar, rocker_angle: Array) -> Array:
    """Bucket angle relative to the stick, rad; where the linkage cannot close, link and ear in line."""
    bx = bar.pivot_x + bar.rocker * np.cos(rocker_angle)
    bz = bar.pivot_z + bar.rocker * np.sin(rocker_angle)
    ux, uz = bar.stick - bx, -bz
    distance = np.maximum(np.hypot(ux, uz), 1e-9)
    along = np.clip((distance**2 + bar.link**2 - bar.ear**2) / (2.0 * distance), -bar.link, bar.link)
    off = np.sqrt(bar.link**2 - along**2) * bar.assembly
    cx = bx + (along * ux - off * uz) / distance
    cz = bz + (along * uz + off * ux) / distance
    return wrap(np.arctan2(cz, cx - bar.stick) - bar.ear_angle)


def _valleys(setup: Setup, mounts: list[Array], rocker: int) -> list[float]:
    """Turns of the rocker's mount, rad, at the lowest minima of the scan; [0.0] if nothing scores them."""
    reach = min(math.radians(3.0 * setup.assume.mount_sigma_deg), math.pi)
    turns = np.arange(-reach, reach + 1e-9, math.radians(SCAN_STEP_DEG))
    scores = []
    for turn in turns:
        turned = list(mounts)
        turned[rocker] = rotation_from_rpy_deg((0.0, math.degrees(float(turn)), 0.0)) @ mounts[rocker]
        scores.append(_score(setup, _angles(setup, turned)))
    score = np.array(scores)
    if not np.isfinite(score).all():
        return [0.0]
    inner = np.r_[np.inf, score, np.inf]
    minima = np.flatnonzero((score <= inner[:-2]) & (score <= inner[2:]))
    return [float(turns[i]) for i in minima[np.argsort(score[minima])][:VALLEYS]]


def _score(setup: Setup, angles: Array) -> float:
    """Mean absolute misfit of bucket slopes, as sines, and of tip heights over the bucket pin."""
    misfits = []
    tip = setup.machine.bucket[0].tip_m
    heights: dict[tuple[int, str], float] = {}
    for o in setup.observations:
        if o.place not in setup.of_window or o.value is None:
            continue
        w = setup.of_window[o.place]
        if o.kind == "slope" and o.of == "bucket":
            misfits.append(
                abs(math.sin(math.radians(o.value)) - math.cos(angles[w, ROLL]) * math.sin(angles[w, BUCKET]))
            )
        elif o.kind == "height":
            heights[w, o.of] = o.value
    for (w, of), value in heights.items():
        if of == "tip" and (w, "stick_bucket") in heights:
            rise = (value - heights[w, "stick_bucket"]) / tip
            misfits.append(abs(rise - math.cos(angles[w, ROLL]) * math.sin(angles[w, BUCKET])))
    return float(np.mean(misfits)) if misfits else math.inf


def _complete(setup: Setup, mounts: list[Array], angles: Array, label: str) -> Start:
    """Values for standings, marks and windows that go with these angles."""
    m = setup.machine
    pins = setup.described_chain.pins(angles[:, arm_angles(m)])
    values: dict[str, float] = {}
    for w, window in enumerate(setup.windows):
        for k, angle in enumerate(ANGLES):
            values[f"{window.label}.{angle}"] = float(angles[w, k])
    over: dict[str, list[float]] = {}
    places: dict[str, list[tuple[float, float]]] = {}
    for o in setup.observations:
        if o.place not in setup.of_window or o.standing is None:
            continue
        w = setup.of_window[o.place]
        if o.kind == "height" and o.value is not None and o.of in m.pins:
            over.setdefault(o.standing, []).append(o.value - float(pins[w, m.pins.index(o.of), 2]))
        elif o.kind == "tip_on_mark":
            reach, lateral, height = pins[w, -1]
            azimuth = float(angles[w, SLEW] + angles[w, SWING]) + math.atan2(lateral, reach)
            places.setdefault(f"mark.{o.of}.{o.standing}", []).append((math.hypot(reach, lateral), azimuth))
            over.setdefault(o.standing, [])
            values.setdefault(f"mark.{o.of}.elevation_m", float(height))
    for standing, differences in over.items():
        values[f"standing.{standing}.height_m"] = float(np.median(differences)) if differences else 0.0
    for key, seen in places.items():
        values[f"{key}.range_m"] = float(np.mean([r for r, _ in seen]))
        values[f"{key}.azimuth"] = seen[0][1]
    return Start(mounts, values, label)


def with_values(start: Start, values: dict[str, float]) -> Start:
    """The same start from other values."""
    return replace(start, values={**start.values, **values})
