"""A machine that somebody drives: levers and wishes in, bytes for the lines and pictures for a page out.

No clock, port or broker: `advance_to` is told what time it is, and whoever owns those carries the results.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from tipdatum.machine.description import Machine
from tipdatum.simulator.faulty import Meddler
from tipdatum.simulator.operator import Operator
from tipdatum.simulator.patterns import read_levers
from tipdatum.simulator.picture import PracticePicture
from tipdatum.simulator.scenario import FAULTS, Scenario
from tipdatum.simulator.simulation import STEP_S, Simulation
from tipdatum.simulator.task import Loading, Task, task_of
from tipdatum.simulator.wire import LINES, SerialLine, as_inclinometers, lines_of
from tipdatum_drivers.reading import Command, Record

DEAD_MAN_S = 0.4
"""Levers go to neutral where nobody has said for so long where they stand."""
CATCH_UP_S = 2.0
"""A computer that falls further behind loses time: the machine stands still, its boards' clocks go on. Up to
here it makes up for it, so that rates and times of the readings belong together; with the levers in neutral,
since nobody saw where the machine went."""
BEHIND_S, SAID_S = 0.5, 5.0
"""A gap that is told to whoever drives, and for how long."""
ANSWER_S, AGAIN_S, GIVE_UP_S = 5.0, 2.0, 30.0
"""How long the script's operator waits for an answer, how soon it gives a refused order again, and for how
long: a figure that settles after a fault is back in seconds."""
STAFF_M = 0.35
"""The tip has to be this near to the ground for a reference to be set."""


@dataclass(slots=True)
class _AwaitedOrder:
    """An order of the script that waits for its answer; times of the simulation, s."""

    order: Command
    first: float
    last: float
    refused: bool = False


@dataclass(slots=True)
class _Attempt:
    """One attempt at the task."""

    began: float
    ended: float | None = None


@dataclass(slots=True)
class Practice:
    """One machine at work.

    Args:
        scenario: what it stands on and shall dig. kind: format of its lines. script: whether the scenario's
            script drives until somebody takes the levers.
    """

    scenario: Scenario
    kind: str = "packets"
    script: bool = False
    simulation: Simulation = field(init=False)
    lines: list[SerialLine] = field(init=False)
    meddler: Meddler = field(init=False)
    task: Task | Loading | None = field(init=False, default=None)
    orders: list[Command] = field(init=False, default_factory=list)
    """Commands to the service that are waiting to be sent."""
    records: list[Record] = field(init=False, default_factory=list)
    torn: bool = field(init=False, default=False)
    """All lines are unplugged."""
    message: dict[str, Any] | None = field(init=False, default=None)
    """Why the last wish was not fulfilled: `code`, and what it needs to be said."""
    _levers: dict[str, float] = field(init=False, default_factory=dict)
    _told: float = field(init=False, default=-math.inf)
    _operator: Operator | None = field(init=False, default=None)
    _given: _AwaitedOrder | None = field(init=False, default=None)
    _run: _Attempt | None = field(init=False, default=None)
    _offset: float = field(init=False, default=0.0)
    _behind: tuple[float, float] = field(init=False, default=(-math.inf, 0.0))
    """When the computer was last found behind, and by how much, s."""
    _picture: PracticePicture = field(init=False)
    _reference: tuple[float, float] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        line = LINES[self.kind]
        # A step's width lies between sampling and the tick of the computer that sends.
        changes: dict[str, Any] = {"jitter_s": 0.0}
        if line.shared_clock:
            changes["clocks"] = "shared"
        changes["tilt_hz" if line.tilts else "rate_hz"] = line.rate_hz
        setting = self.scenario.setting(**changes)
        self.simulation = Simulation(self.machine, setting)
        self.lines = lines_of(self.kind, self.machine)
        self.meddler = Meddler(self.simulation)
        self.task = task_of(self.scenario.file, self.simulation)
        self._picture = PracticePicture(self.scenario, self.simulation, self.task)
        if self.script and self.scenario.steps:
            self._operator = Operator(self.simulation, self.scenario.steps, setting.seed, awaits=True)

    @property
    def machine(self) -> Machine:
        """The description that the service is given, without encoders that the format cannot tell."""
        line, machine = LINES[self.kind], self.scenario.machine
        told = as_inclinometers(machine) if line.tilts else machine
        if line.angles:
            return told
        kept = {name: sensor for name, sensor in told.sensor.items() if sensor.type != "slew"}
        return told.model_copy(update={"sensor": kept})

    @property
    def over(self) -> bool:
        """Whether the script has come to its end."""
        return self._operator is not None and self._operator.done

    # -- in --------------------------------------------------------------------------------------------

    def hold(self, message: Mapping[str, Any], now: float) -> None:
        """Somebody holds the levers so, at `now` s since the start; from then on no script drives."""
        levers = read_levers(message)
        if levers is None:
            return
        if any(abs(lever) > 0.1 for lever in levers.values()):
            self._operator = None
        self._levers, self._told = levers, now

    def wish(self, message: Mapping[str, Any]) -> None:
        """What the page asks for: a fault, the reference, the target, the task's begin or end."""
        what, self.message = message.get("do"), None
        if what == "fault":
            self._fault(message)
        elif what == "line":
            self.torn = bool(message.get("out"))
        elif what == "reference":
            self._set_reference()
        elif what == "target":
            self._set_target()
        elif what == "begin" and self.task is not None:
            self._run = _Attempt(self.simulation.t)
        elif what == "end" and self._run is not None and self._run.ended is None:
            self._run.ended = self.simulation.t

    def answered(self, reply: Mapping[str, Any]) -> None:
        """The service's reply to a command; the script goes on where it was taken."""
        if self._given is None or reply.get("command") != self._given.order.name:
            return
        if reply.get("ok"):
            self._go_on()
        else:
            self._given.refused = True
            self.message = {"code": "refused", "text": str(reply.get("text", "")), "said": reply.get("said")}

    def _go_on(self) -> None:
        self._given = None
        if self._operator is not None:
            self._operator.go_on()

    def _fault(self, message: Mapping[str, Any]) -> None:
        kind, sensor, other = (message.get(key) for key in ("kind", "sensor", "other"))
        known = self.scenario.machine.sensor
        if (
            kind not in FAULTS
            or sensor not in known
            or (kind == "swap" and (other not in known or other == sensor))
        ):
            self.message = {"code": "no-such-fault"}
            return
        self.meddler.do(
            str(kind), str(sensor), None if other is None else str(other), over=bool(message.get("over"))
        )

    def _set_reference(self) -> None:
        """The surveyor's staff beside the tip tells its height."""
        x, y, z = self.simulation.tip().tolist()
        ground = self.simulation.soil.height(x, y)
        if z - ground > STAFF_M:
            self.message = {"code": "put-it-down", "height_m": round(z - ground, 2)}
            return
        self._reference = (x, y)
        self._order("datum/set", {"elevation_m": self._tip_height()})

    def _tip_height(self) -> float:
        return round(float(self.simulation.tip()[2]) - self.simulation.ground_start, 3)

    def _set_target(self) -> None:
        if not isinstance(self.task, Task) or self._reference is None:
            self.message = {"code": "reference-first"}
            return
        told, x = self.task.told, self._reference[0]
        zero = self.simulation.ground_start
        slews = any(s.type == "slew" and s.body != "boom_swing" for s in self.machine.sensor.values())
        if told.cross and not slews:
            self.message = {"code": "cross-fall"}
        if told.grade == 0.0 and not (told.cross and slews):
            self._order("target/level", {"elevation_m": round(self.task.near_m - zero, 4)})
        else:
            at = float(self.task.height(x, self._reference[1] if slews else 0.0)) - zero
            body: dict[str, Any] = {
                "grade_percent": round(100.0 * told.grade, 4),
                "through": "reference",
                "elevation_m": round(at, 4),
            }
            if told.cross and slews:
                body["cross"] = f"{100.0 * abs(told.cross):.4f}%"
                body["cross_falls"] = "left" if told.cross < 0.0 else "right"
            self._order("target/grade", body)
        self._order("target/tolerance", {"above_m": told.tolerance_m, "below_m": told.tolerance_m})

    def _order(self, name: str, body: dict[str, Any]) -> None:
        self.orders.append(Command(self.simulation.t, name, body))

    # -- time ------------------------------------------------------------------------------------------

    def advance_to(self, now: float) -> list[bytes]:
        """Move on to `now`, s since the start; returns what each line sends."""
        t = now - self._offset
        if t - self.simulation.t > BEHIND_S:
            # Making up for one gap takes time too, which is not to hide how large that was.
            self._behind = (now, max(t - self.simulation.t, self._lately_behind(now)))
        if t - self.simulation.t > CATCH_UP_S:
            self._offset += t - self.simulation.t - CATCH_UP_S
            t = now - self._offset
        fresh: list[Record] = []
        while self.simulation.t + STEP_S <= t:
            fresh += self.simulation.advance(self._hands(self.simulation.t + self._offset))
        self.records = fresh
        for line in self.lines:
            line.spoilt, line.clock_ahead_s = self.meddler.corrupted, self._offset
        return [line.send(fresh, self.simulation.t) for line in self.lines]

    def _hands(self, at: float) -> Mapping[str, float]:
        if self._operator is not None:
            levers = self._operator.levers()
            for order in self._operator.orders:
                self._given = _AwaitedOrder(order, order.t, order.t)
                self._give(order)
            self._operator.orders.clear()
            self._see_to_answer()
            for fault in self._operator.fault:
                self.meddler.do(fault.kind, fault.sensor, fault.other, over=fault.over)
            self._operator.fault.clear()
            return levers
        # While it makes up for lost time what somebody says now was not meant for then.
        return self._levers if abs(at - self._told) < DEAD_MAN_S else {}

    def _give(self, order: Command) -> None:
        # On a page the truth stands beside the figure, so the script's references are true ones too.
        true = {"elevation_m": self._tip_height()} if order.name == "datum/set" else order.body
        self._order(order.name, true)

    def _see_to_answer(self) -> None:
        """Give an order again that was refused; go on where no answer comes, or nothing helps."""
        given, t = self._given, self.simulation.t
        if given is None:
            return
        silent = not given.refused and t - given.last > ANSWER_S
        if silent or t - given.first > GIVE_UP_S:
            self._go_on()
        elif given.refused and t - given.last > AGAIN_S:
            given.last, given.refused = t, False
            self._give(given.order)

    # -- what a page draws -----------------------------------------------------------------------------

    def scene(self) -> dict[str, Any]:
        """What stays as it is: machine, ground, task. Lengths m."""
        return self._picture.scene()

    def view(self) -> dict[str, Any]:
        """The moment: where everything is, the ground under the arm, what is wrong, the score. m, degrees."""
        return {
            **self._picture.view(),
            "faults": {name: sorted(kinds) for name, kinds in self.meddler.active.items() if kinds},
            "torn": self.torn,
            "script": self._operator is not None,
            "behind_s": round(self._lately_behind(self.simulation.t + self._offset), 1),
            "message": {"code": "tipped"} if self.simulation.tipped else self.message,
            "score": self._score(),
        }

    def _lately_behind(self, now: float) -> float:
        """By how much the computer fell behind in the last seconds, s; 0: it keeps up."""
        when, gap = self._behind
        return gap if now - when < SAID_S else 0.0

    def repaint(self) -> None:
        """A page has come anew: tell it every square that is no longer natural ground."""
        self._picture.repaint()

    def _score(self) -> dict[str, Any] | None:
        if self.task is None:
            return None
        run = self._run
        ended = self.simulation.t if run is None or run.ended is None else run.ended
        seconds = 0.0 if run is None else ended - run.began
        state = "waiting" if run is None else "done" if run.ended is not None else "running"
        return {"state": state, "seconds": round(seconds, 1), **self.task.score(seconds)}
