"""How a machine stands, as a drawing: what a wrong sign or a wrong figure does to it is seen at once.

From the right as the section of a display draws it, reach to the right and up; where the boom swings also
from above; where the bucket tilts also from the seat. Joints that are held stand as they are held, all others
as on a machine that is about to dig. Sensors are drawn where they sit, with the axes printed on them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Sensor
from tipdatum.machine.words import TURN_DEG
from tipdatum.svg import FAINT, INK, PAPER, QUIET

USUAL_DEG = {"boom": 42.0, "second_boom": -5.0, "stick": -68.0, "bucket": -118.0}
"""Elevation angles of an arm that is about to dig."""

TIP, SENSOR = "#a83200", "#00508c"
ARROW_PX = 34.0
WIDE, HIGH = 620.0, 430.0


@dataclass(slots=True)
class Picture:
    """One picture: metres to places, true to scale, and what is drawn.

    Attributes:
        title: over it. box: (left, right, low, high) m. at: px, its upper left corner. size: px.
    """

    title: str
    box: tuple[float, float, float, float]
    at: tuple[float, float]
    size: tuple[float, float]
    marks: list[str] = field(default_factory=list)

    @property
    def scale(self) -> float:
        """px a metre."""
        left, right, low, high = self.box
        return min((self.size[0] - 40.0) / (right - left), (self.size[1] - 60.0) / (high - low))

    def place(self, point: Sequence[float]) -> tuple[float, float]:
        """px of a point (across, up) in m."""
        left, right, low, high = self.box
        x = self.at[0] + self.size[0] / 2.0 + (point[0] - (left + right) / 2.0) * self.scale
        y = self.at[1] + 14.0 + self.size[1] / 2.0 - (point[1] - (low + high) / 2.0) * self.scale
        return x, y

    def line(
        self, points: Iterable[Sequence[float]], colour: str = INK, width: float = 2.0, dash: str = ""
    ) -> None:
        """A line through points in m."""
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in map(self.place, points))
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.marks.append(
            f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashes} '
            'stroke-linejoin="round" stroke-linecap="round"/>'
        )

    def pin(self, point: Sequence[float]) -> None:
        """A pin."""
        x, y = self.place(point)
        self.marks.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>'
        )

    def words(
        self, text: str, point: Sequence[float], dx: float = 8.0, dy: float = 4.0, colour: str = INK
    ) -> None:
        """Words beside a point, so many px off."""
        x, y = self.place(point)
        anchor = "end" if dx < 0 else "start"
        self.marks.append(
            f'<text x="{x + dx:.1f}" y="{y + dy:.1f}" text-anchor="{anchor}" fill="{colour}" class="halo">'
            f"{escape(text)}</text>"
        )

    def arrow(self, point: Sequence[float], way: Sequence[float], name: str) -> None:
        """An axis of a sensor, (across, up) of its direction.

        What is foreshortened is drawn shorter, and what points at us or away not at all.
        """
        x, y = self.place(point)
        dx, dy = way[0] * ARROW_PX, -way[1] * ARROW_PX
        length = math.hypot(dx, dy)
        if length < 0.25 * ARROW_PX:
            return
        ux, uy = dx / length, dy / length
        tip = (x + dx, y + dy)
        wings = [(tip[0] - 7 * ux + s * 3 * uy, tip[1] - 7 * uy - s * 3 * ux) for s in (1, -1)]
        (ax, ay), (bx, by) = wings
        self.marks.append(
            f'<path d="M{x:.1f} {y:.1f}L{tip[0]:.1f} {tip[1]:.1f}M{ax:.1f} {ay:.1f}L{tip[0]:.1f} {tip[1]:.1f}'
            f'L{bx:.1f} {by:.1f}" fill="none" stroke="{SENSOR}" stroke-width="1.8"/>'
            f'<text x="{tip[0] + 7 * ux:.1f}" y="{tip[1] + 7 * uy + 4:.1f}" text-anchor="middle" '
            f'fill="{SENSOR}" class="halo">{name}</text>'
        )

    def svg(self) -> str:
        """The picture with its title."""
        x, y = self.at
        return (
            f'<text x="{x + 8:.1f}" y="{y + 18:.1f}" font-weight="650">{escape(self.title)}</text>'
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{self.size[0]:.1f}" height="{self.size[1]:.1f}" '
            f'fill="none" stroke="{FAINT}"/>{"".join(self.marks)}'
        )


def standing(machine: Machine) -> str:
    """The drawing as the text of an SVG file."""
    q = posture(machine)
    views = [_from_the_right(machine, q)]
    beside = [
        make
        for turns, make in ((machine.boom_swing, _from_above), (_tilts(machine), _from_the_seat))
        if turns
    ]
    for number, make in enumerate(beside):
        views.append(make(machine, q, (WIDE + 16.0, number * (HIGH / 2.0 + 4.0))))
    width = WIDE + (16.0 + 360.0 if beside else 0.0)
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
        view.line([start, end], TIP if name == "bucket" else INK, 5.0 if name != "bucket" else 3.0)
    _outline(view, machine, q, pins)
    _linkage(view, machine, q, pins)
    for pin in pins[:-1]:
        view.pin(pin)
    view.words("tip", pins[-1], -8.0, 14.0, TIP)
    for name, start, end in zip(chain.names, pins, pins[1:], strict=False):
        # A sensor that is called as what it sits on says it by its own name.
        if name not in machine.sensor:
            middle = ((start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0)
            view.words(name.replace("_", " "), middle, 8.0, -8.0, QUIET)
    for name, sensor in machine.sensor.items():
        _sensor(view, machine, q, located.pins, name, sensor)
    return view


def _outline(
    view: Picture, machine: Machine, q: Sequence[float], pins: Sequence[tuple[float, float]]
) -> None:
    """Heel and back, from the tip on; and the bucket's own pin where a coupler holds it."""
    bucket, chain = machine.bucket[0], machine.chain()
    theta = q[chain.bucket]
    if bucket.outline_m:
        shape = [_turned(pins[-2], point, theta) for point in bucket.outline_m]
        view.line([pins[-1], *shape, pins[-2]], TIP, 1.5)
    if bucket.pin_m is not None:
        own = _turned(pins[-2], bucket.pin_m, theta)
        view.line([pins[-2], own, pins[-1]], INK, 3.0)
        view.pin(own)
        view.words("bucket's pin", own, -8.0, 16.0, QUIET)
    if bucket.tilt_axis_m is not None and bucket.tilt_axis_deg is not None:
        middle = _turned(pins[-2], bucket.tilt_axis_m, theta)
        a = theta + math.radians(bucket.tilt_axis_deg)
        out = 0.35 * bucket.tip_m + 0.2
        ends = [(middle[0] + s * out * math.cos(a), middle[1] + s * out * math.sin(a)) for s in (-1, 1)]
        view.line(ends, SENSOR, 1.6, "8 3 2 3")
        view.words("tilt axis", ends[1], 6.0, 0.0, SENSOR)


def _linkage(
    view: Picture, machine: Machine, q: Sequence[float], pins: Sequence[tuple[float, float]]
) -> None:
    """Rocker and link, where they close in this posture."""
    if machine.linkage is None:
        return
    bar, chain = machine.four_bar(), machine.chain()
    stick, bucket = q[chain.bucket - 1], q[chain.bucket]
    for rocker in bar.rocker_from_bucket(np.array([bucket - stick]))[0].tolist():
        found = None if math.isnan(rocker) else bar.bucket_at(rocker)
        if found is None or abs(math.remainder(found[0] - (bucket - stick), 2.0 * math.pi)) > 1e-6:
            continue
        pivot = _turned(pins[-3], (bar.pivot_x, bar.pivot_z), stick)
        joint = _turned(pivot, (bar.rocker, 0.0), stick + rocker)
        ear = _turned(pins[-2], (bar.ear, 0.0), bucket + bar.ear_angle)
        view.line([pivot, joint, ear], INK, 2.2)
        for pin in (pivot, joint, ear):
            view.pin(pin)
        view.words("rocker", ((pivot[0] + joint[0]) / 2, (pivot[1] + joint[1]) / 2), 8.0, 0.0, QUIET)
        return
    view.words("linkage does not close here", pins[-2], 12.0, 20.0, TIP)


def _sensor(
    view: Picture,
    machine: Machine,
    q: Sequence[float],
    pins: Sequence[Sequence[float]],
    name: str,
    sensor: Sensor,
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
    view.words(name, there, -8.0, 4.0, SENSOR)
    if sensor.type == "beam":
        return
    mount: Array = rotation_from_rpy_deg(sensor.mount_rpy_deg)
    for axis in range(3):
        view.arrow(there, _turned((0.0, 0.0), (mount[0, axis], mount[2, axis]), theta), "xyz"[axis])


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
    view = Picture("From above", (-0.6, reach + 0.2, -side - 0.3, side + 0.3), at, (360.0, HIGH / 2.0 - 4.0))
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
    view = Picture(
        "From the seat", (-half - 0.3, half + 0.3, middle - 0.7 * half - 0.1, middle + 0.7 * half + 0.1),
        at, (360.0, HIGH / 2.0 - 4.0),
    )  # fmt: skip
    view.line(drawn[0], FAINT, 5.0)
    view.line(drawn[1], TIP, 5.0)
    for name, point, off in (("left", drawn[1][0], -8.0), ("right", drawn[1][1], 8.0)):
        view.words(name, point, off, 4.0)
    view.words(f"tilt +{TURN_DEG:g}°", ((drawn[1][0][0] + drawn[1][1][0]) / 2, middle), 4.0, 34.0)
    return view


def _turned(origin: Sequence[float], point: Sequence[float], angle: float) -> tuple[float, float]:
    c, s = math.cos(angle), math.sin(angle)
    return origin[0] + point[0] * c - point[1] * s, origin[1] + point[0] * s + point[1] * c
