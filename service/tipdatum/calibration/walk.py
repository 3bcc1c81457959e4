"""A calibration led from a screen: what to do now, how still the machine stands, what is in the book.

Sans-IO: blocks of readings and a person's answers go in, what to show comes out, and the book is handed to
`keep` before anything is called kept. Steps, rest and swings are those of the terminal's guide. Solving takes
seconds, so it is done outside: `wants_plan` says when, `planned` and `judged` take what it gave.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tipdatum.calibration import guide
from tipdatum.calibration.following import GOAL_M
from tipdatum.calibration.foresight import Foreseen
from tipdatum.calibration.guide import Question, Step
from tipdatum.calibration.loose import lain_before
from tipdatum.calibration.observations import ObservationBook, RestEntry
from tipdatum.calibration.still import HOLD_S, AnyBlock, Block, StillWatch, swing_of
from tipdatum.calibration.walk_steps import Asked, WalkSteps, taken_back
from tipdatum.errors import ConfigError
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

SILENT_AFTER_S = 3.0
"""Time without a block after which a sensor counts as silent."""

LONGEST_SWING_S = 180.0
"""A motion that takes longer is none: somebody went away."""

MARK = re.compile(r"[A-Za-z0-9_]{1,20}")


class RefusedError(Exception):
    """An answer that cannot be taken; `code` says why, for the screen's language."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


@dataclass
class Walk:
    """One person's way through a calibration.

    Attributes:
        keep: stores the book, raises ConfigError where it cannot.
        power_up, taken: as in the guide. standing: place and heading of the tracks.
        goal_m: worst 1-sigma of the tip at which no posture more is asked for.

    Times `now` are seconds of any clock that only goes forward.
    """

    machine: Machine
    book: ObservationBook
    keep: Callable[[ObservationBook], None]
    power_up: str
    taken: str
    standing: str = ""
    goal_m: float = GOAL_M

    def __post_init__(self) -> None:
        self._watches: dict[tuple[str, ...], StillWatch] = {}
        self._rested: tuple[str, ...] = ()
        marks = sorted({o.of for o in self.book.observation if o.kind == "tip_on_mark"})
        self.planned_steps = WalkSteps(self.machine, marks)
        self.asked_for = ""
        self.rest: RestEntry | None = None
        self.swing: list[Block] | None = None
        self._swing_bias: dict[str, Array] = {}
        self.moved = True
        self.last: dict[str, Block] = {}
        self._heard: dict[str, float] = {}
        self._now = 0.0
        self._planned_for = ""
        self.verdict: dict[str, Any] | None = None
        self.finishing = False
        self._replies: dict[str, dict[str, Any]] = {}
        self.note: dict[str, Any] | None = None
        self._go_on()

    @property
    def foreseen(self) -> Foreseen | None:
        """How well the tip is known and what would help; None before two postures."""
        return self.planned_steps.foreseen

    @property
    def marks(self) -> list[str]:
        """Names of the marks that are touched."""
        return self.planned_steps.marks

    @property
    def skipped(self) -> set[str]:
        """Steps that the person left out."""
        return self.planned_steps.skipped

    @property
    def watch(self) -> StillWatch:
        """What is to be at rest: the machine, or on a bench the one sensor that is asked for."""
        return self._watch_of(self.current())

    def _watch_of(self, asked: Asked | None) -> StillWatch:
        sensors = asked.step.sensors if asked is not None else guide.watched(self.machine)
        return self._watches.setdefault(sensors, StillWatch(sensors))

    @property
    def placed(self) -> bool:
        """Whether it is known where what is asked for stands: the machine, or the sensors on a bench."""
        return bool(self.standing) or self.on_bench

    @property
    def on_bench(self) -> bool:
        """Whether a loose sensor is asked for."""
        return self.asked_for.startswith("bench-")

    # -- steps -----------------------------------------------------------------------------------------

    def steps(self) -> list[Asked]:
        """Every step, in the order in which they are asked for; those in the book too."""
        return self.planned_steps.of(self.book, self.asked_for, self.goal_m)

    def current(self) -> Asked | None:
        """The step that is asked for; None while placing and after the last one."""
        return next((a for a in self.steps() if a.step.id == self.asked_for), None)

    def _go_on(self) -> None:
        """To the next open step after this one, or the first that there is."""
        self.rest, self.swing = None, None
        before, self.asked_for = self.asked_for, ""
        names = [a.step.id for a in self.steps()]
        at = names.index(before) if before in names else 0
        # Loose sensors and a machine that stands somewhere are two things: none leads to the other by itself.
        benched = not self.standing
        if benched and not before.startswith("bench-"):
            self.asked_for = before
            return
        open_ = [
            a.step.id
            for a in self.steps()
            if (a.chapter == "bench") == benched and a.step.id not in self.skipped
            and not guide.is_done(self.book, a.step)
        ]  # fmt: skip
        later = [name for name in names[at:] if name in open_]
        self.asked_for = (later or open_ or [""])[0]
        if self.asked_for.startswith("measured-"):
            self.asked_for = self.planned_steps.better_touch(self.book, self.standing) or self.asked_for

    # -- readings --------------------------------------------------------------------------------------

    def feed(self, block: AnyBlock, now: float) -> None:
        """Take one block of readings that came at `now`."""
        asked = self.current()
        watch = self._watch_of(asked)
        for known in self._watches.values():
            known.feed(block)
        if not isinstance(block, Block):
            return
        self.last[block.sensor], self._heard[block.sensor] = block, now
        self._now = now
        state = watch.judge()
        if state.still_s < HOLD_S / 2 or (self.swing is None and watch.sensors != self._rested):
            self.moved = True
        if asked is None or not asked.step.swing or not self.standing:
            return
        if self.swing is not None:
            self.swing.append(block)
            if block.t1 - self.swing[0].t0 > LONGEST_SWING_S:
                self.swing, self.note = None, {"code": "guide.too-long", "values": {}}
                return
            if state.ready and self.moved:
                self._end_swing(asked.step)

    def _end_swing(self, step: Step) -> None:
        seen = swing_of(self.swing or (), self._swing_bias)
        self.swing = None
        if not seen:
            self.note = {"code": "guide.hardly-turned", "values": {}}
            return
        turned = {n: round(math.degrees(s.turned_rad)) for n, s in seen.items()}
        try:
            self._store(guide.with_swing(self.book, step, self.standing, seen))
        except RefusedError as error:
            self.note = {"code": error.code, "values": {"text": str(error)}}
            return
        most = max(turned.values())
        self.note = {"code": "guide.turned", "values": {"degrees": most}}
        self._go_on()

    def silent(self, now: float) -> list[str]:
        """Sensors of which nothing has been heard for a while."""
        return [n for n in self.watch.sensors if now - self._heard.get(n, -math.inf) > SILENT_AFTER_S]

    # -- answers ---------------------------------------------------------------------------------------

    def answer(self, request: Mapping[str, Any], now: float) -> dict[str, Any]:
        """Take what a person did; the reply says whether it was taken, the same for a repeated request."""
        self._now = now
        name = str(request.get("request_id", ""))[:80]
        if name and name in self._replies:
            return self._replies[name]
        try:
            self._do(request)
            reply: dict[str, Any] = {"request_id": name, "ok": True, "code": "", "text": ""}
        except RefusedError as error:
            reply = {"request_id": name, "ok": False, "code": error.code, "text": str(error)}
        self._replies[name] = reply
        while len(self._replies) > 64:
            self._replies.pop(next(iter(self._replies)))
        return reply

    def _do(self, request: Mapping[str, Any]) -> None:
        doing = {
            "place": self._place, "start": self._start, "take": self._take, "again": self._again,
            "readings": self._readings, "skip": self._skip, "choose": self._choose, "mark": self._mark,
            "back": self._back, "finish": self._finish, "moved": self._moved_tracks, "bench": self._bench,
        }.get(str(request.get("do")))  # fmt: skip
        if doing is None:
            raise RefusedError("guide.unknown", f'"{request.get("do")}" is nothing that can be done')
        doing(request)

    def _place(self, request: Mapping[str, Any]) -> None:
        name = str(request.get("standing", "")).strip()
        if not name or len(name) > 40:
            raise RefusedError("guide.no-standing", "a standing needs a name, such as S1")
        self.standing = name
        self.verdict = None
        self._go_on()

    def _moved_tracks(self, request: Mapping[str, Any]) -> None:
        """The tracks moved, or sensors go from the bench to the machine: what follows needs a standing."""
        self.asked_for = "" if self.on_bench else self.asked_for
        self.standing, self.rest, self.swing = "", None, None

    def _bench(self, request: Mapping[str, Any]) -> None:
        """The sensors lie loose on a bench."""
        self.standing, self.rest, self.swing = "", None, None
        self.planned_steps.bench = True
        self.asked_for = next(a.step.id for a in self.steps() if a.chapter == "bench")
        self._go_on()

    def _asked(self) -> Asked:
        asked = self.current()
        if asked is None or not self.placed:
            raise RefusedError("guide.no-step", "nothing is asked for at the moment")
        return asked

    def _start(self, request: Mapping[str, Any]) -> None:
        """A motion begins: the machine is still, what follows is the swing."""
        asked = self._asked()
        if not asked.step.swing:
            raise RefusedError("guide.no-motion", "this step is no motion")
        self._must_be_still()
        rest = self.watch.rest()
        self._swing_bias = {n: np.array(r.gyro_radps) for n, r in rest.items() if r.gyro_radps is not None}
        self.swing, self.moved, self.note = [], False, None

    def _must_be_still(self) -> None:
        if self.silent(self._now) or not self.watch.judge().ready:
            raise RefusedError("guide.not-still", "the machine is not still yet")

    def _take(self, request: Mapping[str, Any]) -> None:
        asked = self._asked()
        if asked.step.swing:
            raise RefusedError("guide.no-motion", "a motion is started, not taken")
        if not self.moved:
            raise RefusedError("guide.not-moved", "that is still the posture before; move the arm first")
        self._must_be_still()
        rest, power_up = self.watch.rest(), self.power_up
        if self.on_bench:
            if before := lain_before(self.book, asked.step.sensors[0], rest):
                raise RefusedError("guide.same-face", f"it has lain like this before: {before}")
            # It will have been unplugged before it runs on the machine.
            power_up = f"bench {self.power_up}"
        name, told = f"rest {asked.step.id}", self.watch.told_deg()
        self.rest = RestEntry(id=name, power_up=power_up, taken=self.taken, sensor=rest, told_deg=told)
        self.note = None
        if not guide.open_questions(asked.step, self.rest):
            self._keep_rest(asked.step, {})

    def _again(self, request: Mapping[str, Any]) -> None:
        self.rest, self.swing = None, None

    def _readings(self, request: Mapping[str, Any]) -> None:
        asked = self._asked()
        if self.rest is None:
            raise RefusedError("guide.no-rest", "no rest has been taken for these readings")
        given = request.get("values")
        values: dict[Question, float] = {}
        for q in guide.open_questions(asked.step, self.rest):
            value = given.get(f"{q.kind} {q.of}") if isinstance(given, Mapping) else None
            if value is None or value == "":
                continue
            try:
                number = float(str(value).strip().replace("−", "-").replace(",", "."))
            except ValueError:
                number = math.nan
            limit = 90.0 if q.unit == "deg" else 40.0
            if not abs(number) <= limit:
                raise RefusedError("guide.no-number", f'{q.kind} {q.of}: "{value}" is no reading in {q.unit}')
            values[q] = number
        if not values:
            raise RefusedError("guide.no-readings", "no reading was given; skip the posture, or give one")
        self._keep_rest(asked.step, values)

    def _keep_rest(self, step: Step, values: Mapping[Question, float]) -> None:
        assert self.rest is not None
        found = guide.rest_observations(step, self.rest.id, self.standing, values)
        self._store(guide.with_rest(self.book, self.rest, found))
        self.note = {"code": "guide.kept", "values": {"n": len(found)}}
        self.moved, self._rested = False, step.sensors
        self._go_on()

    def _skip(self, request: Mapping[str, Any]) -> None:
        self.skipped.add(self._asked().step.id)
        self._go_on()

    def _choose(self, request: Mapping[str, Any]) -> None:
        name = str(request.get("step", ""))
        asked = next((a for a in self.steps() if a.step.id == name), None)
        if asked is None:
            raise RefusedError("guide.no-such-step", f'there is no step "{name}"')
        if guide.is_done(self.book, asked.step):
            raise RefusedError("guide.done-before", f"{name} is in the book; take it back first")
        self.skipped.discard(name)
        self.rest, self.swing, self.asked_for = None, None, name
        # Where the machine stands when its sensors are back on it is to be said anew.
        self.standing = "" if self.on_bench else self.standing

    def _mark(self, request: Mapping[str, Any]) -> None:
        name = str(request.get("name", "")).strip()
        if not MARK.fullmatch(name):
            raise RefusedError("guide.no-mark", f'"{name}" is no name for a mark; letters and figures')
        if name not in self.marks:
            self.marks.append(name)
        self._go_on()
        touch = next(
            (a.step.id for a in self.steps() if a.values.get("mark") == name
             and not guide.is_done(self.book, a.step)), ""
        )  # fmt: skip
        self.asked_for = touch or self.asked_for

    def _back(self, request: Mapping[str, Any]) -> None:
        """A step is taken back: its entries stay in the book under another id and are not used."""
        name = str(request.get("step", ""))
        asked = next((a for a in self.steps() if a.step.id == name), None)
        if asked is None or not guide.is_done(self.book, asked.step):
            raise RefusedError("guide.not-done", f'"{name}" is not in the book')
        self._store(taken_back(self.book, asked.step))
        self.skipped.discard(name)
        self.planned_steps.forget(name)
        self.verdict = None
        self._go_on()
        self.asked_for = name
        self.standing = "" if self.on_bench else self.standing
        self.moved = True

    def _finish(self, request: Mapping[str, Any]) -> None:
        if not any(o.place for o in self.book.solving()):
            raise RefusedError("guide.nothing", "nothing has been measured yet")
        self.finishing, self.verdict = True, None
        # Steps that are still open can be chosen afterwards.
        self.asked_for, self.rest, self.swing = "", None, None

    def _store(self, book: ObservationBook) -> None:
        try:
            self.keep(book)
        except ConfigError as error:
            raise RefusedError("guide.not-kept", f"it could not be written: {error}") from None
        self.book = book
        self.verdict = None

    # -- what is worked out elsewhere ------------------------------------------------------------------

    def wants_plan(self) -> bool:
        """Whether the book holds enough that is new for another plan."""
        measured = {o.rest for o in self.book.solving() if o.kind in ("slope", "height")}
        return len(measured) >= 2 and self.book.digest() != self._planned_for

    def planned(self, book: ObservationBook, foreseen: Foreseen) -> None:
        """What solving that book gave: how well the tip is known, and what would help, best first."""
        self.planned_steps.foreseen, self._planned_for = foreseen, book.digest()
        if not self.asked_for and not self.finishing and self.verdict is None:
            self._go_on()

    def unplanned(self, book: ObservationBook) -> None:
        """That book could not be solved."""
        self._planned_for = book.digest()

    def wants_verdict(self) -> bool:
        """Whether somebody waits for it."""
        return self.finishing

    def judged(self, verdict: dict[str, Any]) -> None:
        """The verdict: word, reasons, what would settle it, tip sigmas; or what made it impossible."""
        self.verdict, self.finishing = verdict, False
