"""Setting up: from a touch or laser crossings to a reference, with its line in the level book.

Whatever re-establishes the reference also decides whether the station along the line is still known: it is
where the machine has not changed its place, or where a mark of known station was touched with the boom in
line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tipdatum.grade.book import Kind, open_setup, read_mark
from tipdatum.grade.marks import Mark, Spotted
from tipdatum.grade.outcome import Order
from tipdatum.grade.reference import touch_noise
from tipdatum.grade.state import Reference
from tipdatum.grade.station import Line, line_through
from tipdatum.grade.stillness import Touch
from tipdatum.grade.units import signed_mm

if TYPE_CHECKING:
    from tipdatum.grade.work import Work

IN_LINE_RAD = math.radians(3.0)
"""With a slew sensor the boom counts as in line within this of the line: 0.1 % of the reach."""


@dataclass(frozen=True, slots=True)
class Change:
    """What setting up changed: height of instrument by `moved_m` (None where it cannot compare), the line."""

    moved_m: float | None
    line: str

    @property
    def text(self) -> str:
        """For the answer to the operator."""
        moved = ""
        if self.moved_m is not None:
            by = signed_mm(self.moved_m)
            moved = (
                " The height of instrument is as before."
                if by == "0"
                else (f" The height of instrument changed by {by} mm.")
            )
        return moved + (f" {self.line}" if self.line else "")


def touch_sigma(work: Work, touch: Touch) -> float:
    """1-sigma, m, of a touch's height above the slew centre, by itself."""
    pose = work.known_pose()
    angles = pose.variance_along(work.chain.height_jacobian(pose.angles).tolist())
    return math.hypot(math.sqrt(angles), touch_noise(touch, work.options.touch_sigma_m))


def sight(work: Work, order: Order, name: str, kind: Kind, touch: Touch, remark: str = "") -> None:
    """Write the touch of a mark into the level book."""
    row = read_mark(
        work.state.book, name, kind, work.instrument_m(), -touch.height_m, touch_sigma(work, touch), remark,
        order.t, work.time(order.t),
    )  # fmt: skip
    work.tell_row(row)


def boom_in_line(work: Work, said: bool | None) -> bool:
    """Whether the boom lies along the line: as the slew sensor sees it, otherwise as the operator says."""
    line, pose = work.state.line, work.known_pose()
    if said is not None:
        return said
    if line is None or line.lost or line.azimuth_rad is None or not pose.slew_known:
        return False
    return abs(pose.slew_rad - line.azimuth_rad) <= IN_LINE_RAD


def spot(work: Work, touch: Touch) -> Spotted:
    """Where the touch lies from here."""
    return Spotted(
        place=work.state.place, reach_m=touch.reach_m, lateral_m=touch.lateral_m, slew_rad=touch.slew_rad
    )


def set_up_on_mark(
    work: Work,
    order: Order,
    touch: Touch,
    name: str,
    kind: Kind,
    elevation_m: float,
    known_sigma_m: float,
    in_line: bool | None,
) -> Change:
    """The tip stands on a mark of that elevation: hang the height system on the machine anew.

    Raises:
        CommandRefused: the arm's position is not known.
    """
    pose = work.known_pose()
    mark = work.state.marks.get(name)
    line = _keep_line(work, mark, touch, in_line)
    record = Reference(
        instrument_m=elevation_m - touch.height_m,
        how="mark",
        mark=name,
        point=touch.point,
        known_m=elevation_m,
        known_sigma_m=known_sigma_m,
        touch_height_m=touch.height_m,
        touch_noise_m=touch_noise(touch, work.options.touch_sigma_m),
        touch_sigma_m=math.sqrt(pose.variance_along(work.chain.height_jacobian(pose.angles).tolist())),
        reach_m=touch.reach_m,
        lateral_m=touch.lateral_m,
        slew_rad=touch.slew_rad,
        posture=list(pose.angles),
        bucket=work.machine.bucket[0].name,
        t=order.t,
        time=work.time(order.t),
        by=order.by,
    )
    change = _write(work, order, record, name, kind, touch_sigma(work, touch), line)
    known = mark.known if mark else kind == "benchmark"
    work.state.marks[name] = Mark(
        elevation_m=elevation_m,
        known=known,
        sigma_m=known_sigma_m,
        station_m=_station(work, touch, mark, in_line),
        spotted=spot(work, touch),
        setup_in_line=mark.setup_in_line if mark else 0,
        time=work.time(order.t),
    )
    work.hang(record, order.t, anchored=True)
    return change


def set_up_on_plane(
    work: Work, order: Order, instrument_m: float, plane_m: float, height_m: float, sigma_m: float, count: int
) -> Change:
    """Laser crossings gave the height of instrument.

    Raises:
        CommandRefused: the arm's position is not known.
    """
    record = Reference(
        instrument_m=instrument_m,
        how="laser",
        mark="laser plane",
        known_m=plane_m,
        touch_height_m=height_m,
        touch_sigma_m=sigma_m,
        posture=[],
        bucket=work.machine.bucket[0].name,
        t=order.t,
        time=work.time(order.t),
        by=order.by,
    )
    # A plane carries height alone: if the machine has travelled, where along the line is not known.
    work.known_pose()
    line = leave_line(work)
    change = _write(work, order, record, "laser plane", "laser", sigma_m, line, f"mean of {count} crossings")
    work.hang(record, order.t, anchored=False)
    return change


def _write(
    work: Work,
    order: Order,
    record: Reference,
    point: str,
    kind: Kind,
    sigma_m: float,
    line: str,
    remark: str = "",
) -> Change:
    before = work.state.reference
    same_place = before is not None and not work.state.travelled and not line
    moved = record.instrument_m - before.instrument_m if before and same_place else None
    if moved is not None:
        remark = (remark + ", " if remark else "") + f"height of instrument {signed_mm(moved)} mm"
    row = open_setup(
        work.state.book, point, kind, record.known_m, -record.touch_height_m, sigma_m, remark,
        order.t, work.time(order.t),
    )  # fmt: skip
    work.tell_row(row)
    work.state.closed = None
    if kind in ("benchmark", "laser"):
        # A new line of levels begins: turning points of the last one are no part of it.
        for mark in work.state.marks.values():
            mark.setup_in_line = 0
    return Change(moved, line)


def _station(work: Work, touch: Touch, mark: Mark | None, in_line: bool | None) -> float | None:
    line = work.state.line
    if line is None or line.lost:
        return mark.station_m if mark else None
    if not boom_in_line(work, in_line):
        return mark.station_m if mark else None
    return line.place(touch.reach_m, touch.lateral_m, touch.slew_rad)[0]


def _keep_line(work: Work, mark: Mark | None, touch: Touch, in_line: bool | None) -> str:
    """Keep, carry over or lose the line; a sentence where it was carried over or lost."""
    state, pose = work.state, work.known_pose()
    here = mark.spotted if mark and mark.spotted and mark.spotted.place == state.place else None
    if here is None and mark is None and state.reference is not None and state.reference.how == "mark":
        r = state.reference
        here = Spotted(place=state.place, reach_m=r.reach_m, lateral_m=r.lateral_m, slew_rad=r.slew_rad)
    if not state.travelled and (
        state.reference is None or (here and here.same_place(touch, pose.slew_known))
    ):
        return ""
    state.place += 1
    if state.line is None:
        return ""
    if mark is not None and mark.station_m is not None and in_line:
        along = touch.slew_rad if pose.slew_known else None
        state.line = line_through(touch.reach_m, touch.lateral_m, touch.slew_rad, along, mark.station_m)
        return f"Station carried over: {mark.station_m:.2f} m."
    return _lose_line(work)


def leave_line(work: Work) -> str:
    """Height was carried over by other means than a mark: after travel the station is lost; says so."""
    if not work.state.travelled:
        return ""
    work.state.place += 1
    return _lose_line(work)


def _lose_line(work: Work) -> str:
    line = work.state.line
    if line is None or line.lost:
        return ""
    lost = "the machine was set up anew and the mark did not carry the station"
    work.state.line = Line(zero_m=line.zero_m, azimuth_rad=line.azimuth_rad, lost=lost)
    return (
        "Station unknown from here on: a sloped target needs a mark of known station touched with the boom "
        'in line ("in_line": true), or must be entered again.'
    )
