"""How a machine stands, as a drawing: what a wrong sign or a wrong figure does to it is seen at once.

From the right as the section of a display draws it, reach to the right and up; where the boom swings also
from above; where the bucket tilts also from the seat. Joints that are held stand as they are held, all others
as on a machine that is about to dig. Sensors are drawn where they sit, with the axes printed on them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Sensor
from tipdatum.machine.picture import SENSOR, Picture
from tipdatum.machine.words import TURN_DEG
from tipdatum.svg import FAINT, INK, PAPER, QUIET

USUAL_DEG = {"boom": 42.0, "second_boom": -5.0, "stick": -68.0, "bucket": -118.0}
"""Elevation angles of an arm that is about to dig."""

TIP = "#a83200"
WIDE, HIGH, ASIDE = 620.0, 430.0, 360.0


def standing(machine: Machine) -> str:
    """The drawing as the text of an SVG file."""
    q = posture(machine)
    views = [_from_the_right(machine, q)]
    beside = [
        make
        for turns, make in (
            (machine.boom_swing, _from_above),
            (_tilts(machine), _from_the_seat),
        )
        if turns
    ]
    for number, make in enumerate(beside):
        views.append(make(machine, q, (WIDE + 16.0, number * (HIGH / 2.0 + 4.0))))
    width = WIDE + (16.0 + ASIDE if beside else 0.0)
    if _coupled(machine):
        views.append(_at_the_coupler(machine, q, (width + 16.0, 0.0)))
        width += 16.0 + ASIDE
    drawn = "".join(view.svg() for view in views)
    halo = f".halo {{ paint-order: stroke; stroke: {PAPER}; stroke-width: 3px; }}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-14 -40 {width + 28:g} {HIGH + 60:g}" '
        f'width="{width + 28:g}" height="{HIGH + 60:g}" font-family="system-ui, sans-serif" font-size="12" '
        f'fill="{INK}"><style>{halo}</style>'
        f'<rect x="-14" y="-40" width="100%" height="100%" fill="{PAPER}"/>'
        f'<text y="-16" font-size="16" font-weight="650">{escape(machine.name)}</text>{drawn}</svg>\n'
    )


def posture(machine: Machine) -> list[float]:
    """q of the drawing: level, straight ahead, not tilted; held joints as they are held."""
    chain = machine.chain()
    q = [0.0] * chain.size
    before = 0.0
    for place, body in enumerate(chain.names, start=2):
        part = machine.bucket[0] if body == "bucket" else getattr(machine, body)
        q[place] = (
            math.radians(USUAL_DEG[body]) if part.held_deg is None else before + math.radians(part.held_deg)
        )
        before = q[place]
    return q


def _tilts(machine: Machine) -> bool:
    return machine.chain().tilt is not None


def _coupled(machine: Machine) -> bool:
    return machine.bucket[0].pin_m is not None


def _from_the_right(machine: Machine, q: list[float]) -> Picture:
    chain = machine.chain()
    located = chain.locate(q)
    pins = [(reach, height) for reach, _, height in located.pins]
    track = (
        (machine.undercarriage.contact_length_m / 2.0)
        if machine.undercarriage
        else 0.75 * machine.boom.foot_m[2]
    )
    foot = machine.boom.foot_m
    across = [-track * 1.2, *(x for x, _ in pins)]
    up = [0.0, *(z for _, z in pins), 1.4 * foot[2]]
    view = Picture(
        "From the right", (min(across), max(across) + 0.4, min(up) - 0.2, max(up) + 0.3), (0, 0), (WIDE, HIGH)
    )
    left, right = view.box[:2]
    view.line([(left, 0.0), (right, 0.0)], FAINT, 2.0)
    view.line([(0.0, view.box[2]), (0.0, view.box[3])], FAINT, 1.5, "18 4 3 4")
    view.words("slew axis", (0.0, view.box[3]), 6.0, 14.0, QUIET)
    tall = 0.42 * foot[2]
    view.line([(-track, 0.0), (track, 0.0), (track + tall / 2, tall / 2), (track, tall), (-track, tall),
               (-track - tall / 2, tall / 2), (-track, 0.0)], QUIET, 1.2)  # fmt: skip
    for name, start, end in zip(chain.names, pins, pins[1:], strict=False):
        if name != "bucket":
            view.line([start, end], INK, 5.0)
        elif not _coupled(machine):
            view.line([start, end], TIP, 3.0)
    # What hangs at the stick's end is told where it is drawn larger.
    close = _coupled(machine)
    _outline(view, machine, q, pins, told=not close)
    _linkage(view, machine, q, pins, told=not close)
    for pin in pins[:-1]:
        view.pin(pin)
    view.words("tip", pins[-1], -8.0, 14.0, TIP)
    for name, start, end in zip(chain.names, pins, pins[1:], strict=False):
        # A sensor that is called as what it sits on says it by its own name.
        if name not in machine.sensor and not (close and name == "bucket"):
            middle = ((start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0)
            view.words(name.replace("_", " "), middle, 8.0, -8.0, QUIET)
    for name, sensor in machine.sensor.items():
        if not (close and sensor.body in ("bucket", "rocker")):
            _sensor(view, machine, q, located.pins, name, sensor)
    return view


def _at_the_coupler(machine: Machine, q: list[float], at: tuple[float, float]) -> Picture:
    """From the right and larger: the stick's end, the coupler, what holds it and the bucket's pins."""
    chain, bucket = machine.chain(), machine.bucket[0]
    located = chain.locate(q)
    pins = [(reach, height) for reach, _, height in located.pins]
    theta, stick = q[chain.bucket], q[chain.bucket - 1]
    assert bucket.pin_m is not None
    own = _turned(pins[-2], bucket.pin_m, theta)
    shown = [pins[-2], own, pins[-1], *_four_bar(machine, q, pins)]
    far = min(0.9, 0.5 * machine.stick.length_m)
    start = _turned(pins[-2], (-far, 0.0), stick)
    shown.append(start)
    across, up = [x for x, _ in shown], [z for _, z in shown]
    box = (min(across) - 0.35, max(across) + 0.35, min(up) - 0.1, max(up) + 0.05)
    view = Picture("At the coupler", box, at, (ASIDE, HIGH))
    view.line([start, pins[-2]], INK, 5.0)
    view.keep_free([start, pins[-2]])
    view.keep_free([pins[-2], own, pins[-1]])
    if bucket.outline_m:
        view.keep_free([pins[-1], *(_turned(pins[-2], point, theta) for point in bucket.outline_m)])
    view.keep_free(_four_bar(machine, q, pins))
    _outline(view, machine, q, pins, told=False)
    _linkage(view, machine, q, pins, told=False)
    view.pin(pins[-2])
    for name, sensor in machine.sensor.items():
        if sensor.body in ("bucket", "rocker"):
            _sensor(view, machine, q, located.pins, name, sensor, free=True)
    view.free_words("tip", pins[-1], TIP)
    view.free_words("stick's pin", pins[-2], QUIET)
    view.free_words("bucket's pin", own, QUIET)
    view.free_words("stick", ((start[0] + pins[-2][0]) / 2.0, (start[1] + pins[-2][1]) / 2.0), QUIET)
    if four := _four_bar(machine, q, pins):
        pivot, joint, ear = four
        view.free_words("rocker", ((pivot[0] + joint[0]) / 2.0, (pivot[1] + joint[1]) / 2.0), QUIET)
        view.free_words("link", ((joint[0] + ear[0]) / 2.0, (joint[1] + ear[1]) / 2.0), QUIET)
        view.free_words("link's pin", ear, QUIET)
    if "coupler" not in machine.sensor:
        view.free_words("coupler", ((own[0] + pins[-2][0]) / 2.0, (own[1] + pins[-2][1]) / 2.0), QUIET)
    if (axis := _axis_ends(machine, q, pins)) is not None:
        view.free_words("tilt axis", axis[1], SENSOR)
    return view


def _outline(
    view: Picture,
    machine: Machine,
    q: Sequence[float],
    pins: Sequence[tuple[float, float]],
    told: bool,
) -> None:
    """Heel and back, from the tip on; and the bucket's own pin where a coupler holds it."""
    bucket, chain = machine.bucket[0], machine.chain()
    theta = q[chain.bucket]
    own = pins[-2] if bucket.pin_m is None else _turned(pins[-2], bucket.pin_m, theta)
    if bucket.outline_m:
        shape = [_turned(pins[-2], point, theta) for point in bucket.outline_m]
        view.line([pins[-1], *shape, own], TIP, 1.5)
    if bucket.pin_m is not None:
        view.line([own, pins[-1]], TIP, 3.0)
        view.line([pins[-2], own], INK, 3.0)
        view.pin(own)
    if (ends := _axis_ends(machine, q, pins)) is not None:
        view.line(ends, SENSOR, 1.6, "8 3 2 3")
        view.keep_free(ends)
        if told:
            view.words("tilt axis", ends[1], 6.0, 0.0, SENSOR)


def _axis_ends(
    machine: Machine, q: Sequence[float], pins: Sequence[tuple[float, float]]
) -> list[tuple[float, float]] | None:
    """Two points of the tilt axis; None without one."""
    bucket, theta = machine.bucket[0], q[machine.chain().bucket]
    if bucket.tilt_axis_m is None or bucket.tilt_axis_deg is None:
        return None
    middle = _turned(pins[-2], bucket.tilt_axis_m, theta)
    a = theta + math.radians(bucket.tilt_axis_deg)
    out = 0.35 * bucket.tip_m + 0.2
    return [(middle[0] + s * out * math.cos(a), middle[1] + s * out * math.sin(a)) for s in (-1, 1)]


def _linkage(
    view: Picture,
    machine: Machine,
    q: Sequence[float],
    pins: Sequence[tuple[float, float]],
    told: bool,
) -> None:
    """Rocker and link, where they close in this posture."""
    if machine.linkage is None:
        return
    if not (four := _four_bar(machine, q, pins)):
        view.words("linkage does not close here", pins[-2], 12.0, 20.0, TIP)
        return
    pivot, joint, ear = four
    view.line([pivot, joint, ear], INK, 2.2)
    if _coupled(machine):
        # What the link turns is the coupler: its two pins are on one casting.
        view.line([ear, pins[-2]], INK, 2.2)
    for pin in (pivot, joint, ear):
        view.pin(pin)
    if told:
        view.words("rocker", ((pivot[0] + joint[0]) / 2, (pivot[1] + joint[1]) / 2), 8.0, 0.0, QUIET)


def _four_bar(
    machine: Machine, q: Sequence[float], pins: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Rocker's pivot, its pin with the link, the link's other pin; empty where they do not close."""
    if machine.linkage is None:
        return []
    bar, chain = machine.four_bar(), machine.chain()
    stick, bucket = q[chain.bucket - 1], q[chain.bucket]
    for rocker in bar.rocker_from_bucket(np.array([bucket - stick]))[0].tolist():
        found = None if math.isnan(rocker) else bar.bucket_at(rocker)
        if found is None or abs(math.remainder(found[0] - (bucket - stick), 2.0 * math.pi)) > 1e-6:
            continue
        pivot = _turned(pins[-3], (bar.pivot_x, bar.pivot_z), stick)
        joint = _turned(pivot, (bar.rocker, 0.0), stick + rocker)
        ear = _turned(pins[-2], (bar.ear, 0.0), bucket + bar.ear_angle)
        return [pivot, joint, ear]
    return []


def _sensor(
    view: Picture,
    machine: Machine,
    q: Sequence[float],
    pins: Sequence[Sequence[float]],
    name: str,
    sensor: Sensor,
    free: bool = False,
) -> None:
    """A sensor where it sits, with its axes; those that point at us or away are left out."""
    chain = machine.chain()
    origin, theta = (0.0, 0.0), q[0]
    if sensor.type == "slew":
        return
    if sensor.body == "rocker":
        if machine.linkage is None:
            return
        start = (pins[-3][0], pins[-3][2])
        stick, bar = q[chain.bucket - 1], machine.four_bar()
        roots = [
            root
            for root in bar.rocker_from_bucket(np.array([q[chain.bucket] - stick]))[0].tolist()
            if not math.isnan(root)
        ]
        if not roots:
            return
        origin, theta = _turned(start, (bar.pivot_x, bar.pivot_z), stick), stick + roots[0]
    elif sensor.body in chain.names:
        place = chain.names.index(sensor.body)
        origin, theta = (pins[place][0], pins[place][2]), q[2 + place]
    x, _, z = sensor.position_m
    there = _turned(origin, (x, z), theta)
    px, py = view.place(there)
    view.marks.append(f'<rect x="{px - 4:.1f}" y="{py - 4:.1f}" width="8" height="8" fill="{SENSOR}"/>')
    mount: Array = rotation_from_rpy_deg(sensor.mount_rpy_deg)
    for axis in range(0 if sensor.type == "beam" else 3):
        view.arrow(there, _turned((0.0, 0.0), (mount[0, axis], mount[2, axis]), theta), "xyz"[axis])
    if free:
        view.free_words(name, there, SENSOR)
    else:
        view.words(name, there, -8.0, 4.0, SENSOR)


def _from_above(machine: Machine, q: Sequence[float], at: tuple[float, float]) -> Picture:
    """Forward to the right, left up: the boom straight ahead, and swung by a positive angle."""
    chain, swing = machine.chain(), machine.boom_swing
    assert swing is not None
    assert chain.swing is not None
    drawn = []
    for turn_deg in (0.0, TURN_DEG):
        s, turned = math.radians(turn_deg), list(q)
        turned[chain.swing] = s
        # Pins are given in the boom plane's axes; the upper's are turned back by the swing.
        drawn.append([_turned((0.0, 0.0), pin[:2], s) for pin in chain.locate(turned).pins])
    reach = max(x for line in drawn for x, _ in line)
    side = max(abs(y) for line in drawn for _, y in line)
    view = Picture("From above", (-0.6, reach + 0.2, -side - 0.3, side + 0.3), at, (ASIDE, HIGH / 2.0 - 4.0))
    view.line([(view.box[0], 0.0), (view.box[1], 0.0)], FAINT, 1.5, "18 4 3 4")
    view.line(drawn[0], FAINT, 4.0)
    view.line(drawn[1], INK, 4.0)
    view.pin((0.0, 0.0))
    view.words("slew axis", (0.0, 0.0), -4.0, 18.0, QUIET)
    view.pin(swing.pivot_m[:2])
    view.words("swing axis", swing.pivot_m[:2], 2.0, 20.0, QUIET)
    view.words(f"swing +{TURN_DEG:g}°: left", drawn[1][-1], -10.0, -8.0)
    return view


def _from_the_seat(machine: Machine, q: Sequence[float], at: tuple[float, float]) -> Picture:
    """Left on the left: the edge without tilt, and with a positive one, the bucket hanging."""
    chain = machine.chain()
    assert chain.tilt is not None
    drawn = []
    for turn_deg in (0.0, TURN_DEG):
        turned = list(q)
        turned[chain.tilt] = math.radians(turn_deg)
        located = chain.locate(turned)
        drawn.append([(-y, z) for _, y, z in located.corners])
    middle = (drawn[0][0][1] + drawn[0][1][1]) / 2.0
    half = machine.bucket[0].width_m / 2.0
    across, up = [x for edge in drawn for x, _ in edge], [z for edge in drawn for _, z in edge]
    box = (
        min(across) - 0.3, max(across) + 0.3, min(*up, middle - 0.7 * half) - 0.1,
        max(*up, middle + 0.7 * half) + 0.1,
    )  # fmt: skip
    view = Picture("From the seat", box, at, (ASIDE, HIGH / 2.0 - 4.0))
    view.line(drawn[0], FAINT, 5.0)
    view.line(drawn[1], TIP, 5.0)
    for name, point, off in (("left", drawn[1][0], -8.0), ("right", drawn[1][1], 8.0)):
        view.words(name, point, off, 4.0)
    view.words(f"tilt +{TURN_DEG:g}°", ((drawn[1][0][0] + drawn[1][1][0]) / 2, middle), 4.0, 34.0)
    return view


def _turned(origin: Sequence[float], point: Sequence[float], angle: float) -> tuple[float, float]:
    c, s = math.cos(angle), math.sin(angle)
    return origin[0] + point[0] * c - point[1] * s, origin[1] + point[0] * s + point[1] * c
