"""A machine that somebody drives: levers and wishes in, bytes for the lines and pictures for a page out.

No clock, port or broker: `advance_to` is told what time it is, and whoever owns those carries the results.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tipdatum.machine.description import Machine
from tipdatum.simulator.faulty import Meddler
from tipdatum.simulator.multibody import Array
from tipdatum.simulator.operator import Operator
from tipdatum.simulator.patterns import read_levers
from tipdatum.simulator.scenario import FAULTS, Scenario
from tipdatum.simulator.simulation import STEP_S, Simulation
from tipdatum.simulator.soil import CELL_M
from tipdatum.simulator.task import Task
from tipdatum.simulator.wire import LINES, SerialLine, as_inclinometers, lines_of
from tipdatum_drivers.reading import Command, Record

DEAD_MAN_S = 0.4
"""Levers go to neutral where nobody has said for so long where they stand."""
CATCH_UP_S = 2.0
"""A computer that falls further behind loses time: the machine stands still, its boards' clocks go on. Up to
here it makes up for it, so that rates and times of the readings belong together."""
PROFILE_STEP_M = 0.1
COARSE = 4
"""Columns of the ground along each side of one square of the view from above."""
SQUARES_AT_ONCE = 600
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
    task: Task | None = field(init=False, default=None)
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
    _dirty: set[int] = field(init=False, default_factory=set)
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
        if self.scenario.file.task is not None:
            self.task = Task(self.scenario.file.task, self.simulation.soil)
        if self.script and self.scenario.steps:
            self._operator = Operator(self.simulation, self.scenario.steps, setting.seed, awaits=True)

    @property
    def machine(self) -> Machine:
        """The description that the service is given."""
        return as_inclinometers(self.scenario.machine) if LINES[self.kind].tilts else self.scenario.machine

    @property
    def over(self) -> bool:
        """Whether the script has come to its end."""
        return self._operator is not None and self._operator.done

    # -- in --------------------------------------------------------------------------------------------

    def hold(self, message: Mapping[str, Any], now: float) -> None:
        """Somebody holds the levers so, at `now`; from then on no script drives."""
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
        if self.task is None or self._reference is None:
            self.message = {"code": "reference-first"}
            return
        told, x = self.task.told, self._reference[0]
        zero = self.simulation.ground_start
        if told.cross:
            self.message = {"code": "cross-fall"}
        if told.grade == 0.0:
            self._order("target/level", {"elevation_m": round(self.task.near_m - zero, 4)})
        else:
            at = float(self.task.height(x, 0.0)) - zero
            body = {
                "grade_percent": round(100.0 * told.grade, 4),
                "through": "reference",
                "elevation_m": round(at, 4),
            }
            self._order("target/grade", body)
        self._order("target/tolerance", {"above_m": told.tolerance_m, "below_m": told.tolerance_m})

    def _order(self, name: str, body: dict[str, Any]) -> None:
        self.orders.append(Command(self.simulation.t, name, body))

    # -- time ------------------------------------------------------------------------------------------

    def advance_to(self, now: float) -> list[bytes]:
        """Move on to `now`, s since the start; returns what each line sends."""
        t = now - self._offset
        if t - self.simulation.t > CATCH_UP_S:
            self._offset += t - self.simulation.t - CATCH_UP_S
            t = now - self._offset
        fresh: list[Record] = []
        while self.simulation.t + STEP_S <= t:
            fresh += self.simulation.advance(self._hands(now))
        self.records = fresh
        for line in self.lines:
            line.spoilt, line.clock_ahead_s = self.meddler.corrupted, self._offset
        return [line.send(fresh, self.simulation.t) for line in self.lines]

    def _hands(self, now: float) -> Mapping[str, float]:
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
        return self._levers if now - self._told < DEAD_MAN_S else {}

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
        sim, machine, file = self.simulation, self.scenario.machine, self.scenario.file
        tracks, bucket = sim.plant.tracks, machine.bucket[0]
        truck = sim.setting.truck
        return {
            "name": file.name,
            "about": file.about,
            "machine": machine.name,
            "arm": [{"name": s.name, "length_m": s.length} for s in sim.plant.arm],
            "foot_m": list(machine.boom.foot_m),
            "tracks": {"length_m": tracks.length, "gauge_m": tracks.gauge},
            "bucket": {"tip_m": bucket.tip_m, "width_m": bucket.width_m},
            "size": sim.plant.size,
            "sensors": [{"name": n, "body": s.body} for n, s in machine.sensor.items() if s.type in ("imu",
            "tilt")], "faults": list(FAULTS),
            "ground": {"half_m": sim.soil.half, "square_m": COARSE * CELL_M, "slope":
            list(sim.setting.slope)}, "task": None if self.task is None else {
                **self.task.told.model_dump(), "near_m": self.task.near_m - sim.ground_start,
                "planned_m3": round(self.task.planned_m3, 2),
            },
            "truck": None if truck is None else {
                "x": truck.x, "y": truck.y, "half_x": truck.half_x, "half_y": truck.half_y, "rim_m":
                truck.rim, "capacity_m3": truck.capacity_m3,
            },
        }  # fmt: skip

    def view(self) -> dict[str, Any]:
        """The moment: where everything is, the ground under the arm, what is wrong, the score. m, degrees."""
        sim, chain = self.simulation, self.simulation.chain
        motion, zero = sim.motion, sim.ground_start
        centre, ahead = sim.slew_centre, motion.R[chain.index["slew"]][:, 0]
        flat = ahead[:2] / math.hypot(ahead[0], ahead[1])
        points = [motion.origin[chain.index[s.name]] for s in sim.plant.arm] + [sim.tip()]
        pins = [[float((p - centre)[:2] @ flat), float(p[2]) - zero] for p in points]
        tip = points[-1]
        speed = motion.point_velocity(chain.index[sim.plant.arm[-1].name], np.array(sim.plant.tip))
        drives = sim.hydraulics.drives
        index = chain.index
        angle = {
            name: round(math.degrees(float(sim.positions[index[name]])), 3)
            for name in ("heading", "pitch", "roll", "slew")
        }
        return {
            "t": round(sim.t, 3),
            "place": [round(float(a), 3) for a in (centre[0], centre[1], centre[2] - zero)],
            "angle": angle,
            "pins": [[round(a, 4), round(b, 4)] for a, b in pins],
            "tip": [round(float(tip[0]), 4), round(float(tip[1]), 4), round(float(tip[2]) - zero, 4)],
            "edge": [[round(float(a), 3) for a in corner[:2]] for corner in sim.corners()],
            "speed": round(float(np.linalg.norm(speed)), 3),
            "load": round(sim.load_m3 / sim.plant.bucket_capacity_m3, 3),
            "truck_m3": round(sim.truck_m3, 2),
            "levers": {name: round(drive.lever, 2) for name, drive in drives.items()},
            "flow": round(sim.hydraulics.demand, 2),
            "relief": sorted(sim.relief),
            "ends": [name for name, drive in drives.items() if drive.at_end],
            "ground": self._profile(centre, flat, zero),
            "under": round(sim.soil.height(float(tip[0]), float(tip[1])) - zero, 3),
            "squares": self._squares(),
            "faults": {name: sorted(kinds) for name, kinds in self.meddler.active.items() if kinds},
            "torn": self.torn,
            "script": self._operator is not None,
            "message": {"code": "tipped"} if sim.tipped else self.message,
            "score": self._score(),
        }

    def _profile(self, centre: Array, flat: Array, zero: float) -> dict[str, Any]:
        """Ground along the boom's plane, from behind the tracks outwards, and the task's plane."""
        soil = self.simulation.soil
        far = sum(s.length for s in self.simulation.plant.arm) + 1.5
        reach = np.arange(-0.45 * far, far, PROFILE_STEP_M)
        x, y = centre[0] + reach * flat[0], centre[1] + reach * flat[1]
        heights = np.round(soil.profile(x, y) - zero, 3)
        found = {
            "from": round(float(reach[0]), 3),
            "step": PROFILE_STEP_M,
            "z": heights.tolist(),
            "plane": [],
        }
        if self.task is not None:
            told = self.task.told
            inside = (x > told.from_m) & (x < told.to_m) & (np.abs(y) < told.width_m / 2.0 + 0.05)
            which = np.flatnonzero(inside)
            if len(which):
                ends = which[[0, -1]]
                levels = self.task.height(x[ends], y[ends]) - zero
                found["plane"] = [
                    [round(float(reach[i]), 3), round(float(z), 4)] for i, z in zip(ends, levels, strict=True)
                ]
        return found

    def _squares(self) -> list[list[int]]:
        """Squares of the view from above that changed: number, mean rise over natural ground in mm."""
        soil = self.simulation.soil
        n = len(soil.heights)
        rows, columns = np.divmod(soil.take_changes(), n)
        across = n // COARSE
        self._dirty.update((rows // COARSE * across + columns // COARSE).tolist())
        found = []
        for number in list(self._dirty)[:SQUARES_AT_ONCE]:
            i, j = number // across * COARSE, number % across * COARSE
            part = (slice(i, i + COARSE), slice(j, j + COARSE))
            found.append([number, round(1000.0 * float((soil.heights[part] - soil.natural[part]).mean()))])
            self._dirty.discard(number)
        return found

    def repaint(self) -> None:
        """A page has come anew: tell it every square that is no longer natural ground."""
        soil = self.simulation.soil
        soil.changed |= np.abs(soil.heights - soil.natural) > 1e-4

    def _score(self) -> dict[str, Any] | None:
        if self.task is None:
            return None
        figures, run = self.task.figures(), self._run
        seconds = (
            0.0 if run is None else (run.ended if run.ended is not None else self.simulation.t) - run.began
        )
        return {
            "state": "waiting" if run is None else "done" if run.ended is not None else "running",
            "seconds": round(seconds, 1),
            "within": round(figures.within, 3),
            "done": round(figures.done, 3),
            "over_m3": round(figures.over_m3, 3),
            "deepest_m": round(figures.deepest_m, 3),
            "points": figures.points(seconds, self.task.planned_m3, self.task.told.par_s),
        }
