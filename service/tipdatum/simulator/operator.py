"""Somebody at the levers: carries out a script by looking at the machine, as a person does.

It sees where the tip is, wants it somewhere along a line, and moves levers so that the joints' speeds would
bring it there; oil, lag, shared flow and soil have their say. Its hand is not steady: the height that it
aims at wanders by some millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tipdatum.simulator.hydraulics import DEADBAND, METERING, Drive
from tipdatum.simulator.scenario import FaultStep, Goal, ScriptStep
from tipdatum.simulator.sensors import Deviates
from tipdatum.simulator.simulation import STEP_S, Simulation
from tipdatum_drivers.reading import Command

GAIN, SLEW_GAIN, LEAD_S = 2.6, 1.4, 0.10
PACE_RADPS = {"attitude": 0.9, "slew": 0.55, "swing": 0.2, "second_boom": 0.3, "cross": 0.25}
"""How fast it turns bucket, upper, boom, second boom and edge when nothing else sets the pace."""
STEEP = 0.3
"""Cosine of the tilt axis's rise below which the edge's fall no longer tells the hand how much to tilt."""
RAMP_S = 0.5
ARRIVED_M, ARRIVED_RAD, PATIENCE_S = 0.04, 0.05, 2.5
WANDER_M, WANDER_S = 0.006, 1.5


Coordinates = dict[str, float]
"""Of the arm, as a script names them: reach and height, m; attitude, slew, and of machines that have them
swing, second_boom and cross, the fall of the edge, rad."""


@dataclass(slots=True)
class _Move:
    """A line of the tip in reach and height, with the other coordinates beside it, over `seconds`."""

    start: Coordinates
    end: Coordinates
    seconds: float
    even: bool

    def at(self, t: float) -> tuple[Coordinates, Coordinates]:
        """Where everything should be at `t` s, and how fast."""
        s, rate = self._part(t)
        ways = {name: b - self.start[name] for name, b in self.end.items()}
        return {n: self.start[n] + s * way for n, way in ways.items()}, {n: rate * w for n, w in ways.items()}

    def _part(self, t: float) -> tuple[float, float]:
        T = self.seconds
        if t >= T:
            return 1.0, 0.0
        ramp = min(RAMP_S, T / 2.0) if self.even else T / 2.0
        top = 1.0 / (T - ramp)
        if t < ramp:
            return 0.5 * top * t * t / ramp, top * t / ramp
        if t > T - ramp:
            left = T - t
            return 1.0 - 0.5 * top * left * left / ramp, top * left / ramp
        return top * (t - 0.5 * ramp), top


class Operator:
    """Plays a script on a simulation.

    Args:
        simulation: what it sits in. steps: the script, repetitions written out. seed: of its unsteady hand.
        awaits: whether it keeps still after an order until `go_on` is called, as one does who waits for the
            display to take it.
    """

    def __init__(
        self, simulation: Simulation, steps: tuple[ScriptStep, ...], seed: int = 1, *, awaits: bool = False
    ) -> None:
        self._sim = simulation
        self._awaits, self._awaiting = awaits, False
        self._steps = steps
        self._next = 0
        self._since = 0.0
        self._move: _Move | None = None
        self._until = 0.0
        self._track: tuple[float, float, float] | None = None
        self._normal = Deviates(np.random.default_rng([seed, 77]))
        self._wander = 0.0
        self.orders: list[Command] = []
        """Commands given since the last look."""
        self.fault: list[FaultStep] = []
        """Faults that the script asks for since the last look."""

    @property
    def done(self) -> bool:
        """Whether the script has come to its end."""
        return (
            self._next >= len(self._steps)
            and self._move is None
            and self._until <= self._sim.t
            and not self._track
            and not self._awaiting
        )

    def go_on(self) -> None:
        """The order was answered, or nobody will answer it."""
        self._awaiting = False

    def levers(self) -> dict[str, float]:
        """Where the levers stand now; call it once a step."""
        t = self._sim.t
        while self._free(t) and self._next < len(self._steps):
            self._begin(self._steps[self._next], t)
            self._next += 1
        if self._move is not None:
            return self._follow(self._move, t)
        if self._track is not None:
            return self._drive(t)
        return {}

    def _free(self, t: float) -> bool:
        return self._move is None and self._track is None and t >= self._until and not self._awaiting

    def _begin(self, step: ScriptStep, t: float) -> None:
        if step.wait_s is not None:
            self._until = t + step.wait_s
        elif step.order is not None:
            self.orders.append(Command(t, step.order, dict(step.body)))
            self._awaiting = self._awaits
        elif step.fault is not None:
            self.fault.append(step.fault)
        elif step.travel_m is not None or step.turn_deg is not None:
            self._track = (step.travel_m or 0.0, math.radians(step.turn_deg or 0.0), t)
            x, y, heading = (
                float(self._sim.positions[self._sim.chain.index[n]]) for n in ("x", "y", "heading")
            )
            self._from = (x, y, heading)
        elif (goal := step.go or step.draw) is not None:
            self._move, self._since = self._plan(goal, even=step.draw is not None), t

    def _here(self) -> Coordinates:
        sim = self._sim
        x, y = sim.ahead()
        tip, angles = sim.tip(), sim.joint_angles()
        out = tip - sim.slew_centre
        attitude = sim.elevation_angles()[-1]
        found = {
            "reach": float(out[0] * x + out[1] * y),
            "height": float(tip[2] - sim.ground_start),
            # A curled bucket is beyond -180°, not at +170°.
            "attitude": attitude - 2.0 * math.pi if attitude > 1.2 else attitude,
            "slew": angles["slew"],
        }
        found |= {name: angles[name] for name in ("swing", "second_boom") if name in angles}
        return found | ({"cross": sim.edge_fall()} if "tilt" in angles else {})

    def _plan(self, goal: Goal, *, even: bool) -> _Move:
        here, told = self._here(), goal.coordinates()
        # An edge whose fall is not named is left as it is: its lever stays in neutral.
        end = {n: told.get(n, a) for n, a in here.items() if n != "cross" or n in told}
        way = math.hypot(end["reach"] - here["reach"], end["height"] - here["height"])
        least = way / goal.speed_mps + RAMP_S if even else 1.6 * way / goal.speed_mps
        turns = [1.5 * abs(end[n] - here[n]) / pace for n, pace in PACE_RADPS.items() if n in end]
        return _Move(here, end, max(least, 0.6, *turns), even)

    def _follow(self, move: _Move, t: float) -> dict[str, float]:
        since = t - self._since
        place, _ = move.at(since)
        _, speed = move.at(since + LEAD_S)
        here = self._here()
        step = STEP_S / WANDER_S
        self._wander += -self._wander * step + WANDER_M * math.sqrt(2.0 * step) * self._normal()
        gaps = {name: a - here[name] for name, a in place.items()}
        if move.even:
            gaps["height"] += self._wander
        far = max(abs(gap) for name, gap in gaps.items() if name not in ("reach", "height"))
        near = math.hypot(gaps["reach"], gaps["height"]) < ARRIVED_M and far < ARRIVED_RAD
        if since > move.seconds and (near or since > move.seconds + PATIENCE_S):
            self._move = None
        gains = {"slew": SLEW_GAIN, "swing": SLEW_GAIN}
        return self._levers_for({n: speed[n] + gains.get(n, GAIN) * gap for n, gap in gaps.items()})

    def _levers_for(self, wanted: Coordinates) -> dict[str, float]:
        """Levers that give these speeds, m/s and rad/s, of the arm's coordinates."""
        sim = self._sim
        angles, drives, x, y = sim.joint_angles(), sim.hydraulics.drives, *sim.ahead()
        flat = [(float(p[0] * x + p[1] * y), float(p[2])) for p in sim.pins()]
        # What each section's turn does to the tip: its own way, turned by a right angle.
        (first, *between, stick, bucket) = [(a[1] - b[1], b[0] - a[0]) for a, b in pairwise(flat)]
        attitude, bend = wanted["attitude"], wanted.get("second_boom", 0.0)
        # Tip speed less what bucket and second boom give by themselves, shared between boom and stick.
        along = wanted["reach"] - bucket[0] * attitude - sum(way[0] * bend for way in between)
        rise = wanted["height"] - bucket[1] * attitude - sum(way[1] * bend for way in between)
        boom = [first[k] + sum(way[k] for way in between) for k in (0, 1)]
        J = np.array([[boom[0], stick[0]], [boom[1], stick[1]]])
        size = math.hypot(*boom) * math.hypot(*stick)
        turn = np.linalg.solve(J.T @ J + 0.02 * size * np.eye(2), J.T @ np.array([along, rise])).tolist()
        rates = {"boom": turn[0], "stick": turn[1] - turn[0] - bend, "bucket": attitude - turn[1]}
        rates |= {name: wanted[name] for name in ("slew", "swing", "second_boom") if name in wanted}
        level = math.sqrt(max(0.0, 1.0 - sim.tilt_axis_rise() ** 2))
        if "cross" in wanted and level > STEEP:
            rates["tilt"] = sim.plant.lifts_left * wanted["cross"] / level
        return {name: drives[name].sense * _lever(drives[name], angles[name], r) for name, r in rates.items()}

    def _drive(self, t: float) -> dict[str, float]:
        assert self._track is not None
        way, turn, since = self._track
        x, y, heading = (float(self._sim.positions[self._sim.chain.index[n]]) for n in ("x", "y", "heading"))
        x0, y0, h0 = self._from
        if turn:
            left = turn - (heading - h0)
            done = abs(left) < 0.01
            pull = math.copysign(min(1.0, 0.35 + abs(left)), left)
            levers = {"left_track": -pull, "right_track": pull}
        else:
            gone = (x - x0) * math.cos(h0) + (y - y0) * math.sin(h0)
            left = way - gone
            done = abs(left) < 0.03
            pull = math.copysign(min(1.0, 0.35 + abs(left)), left)
            levers = {"left_track": pull, "right_track": pull}
        if done or t - since > 120.0:
            self._track = None
            return {}
        return levers


def _lever(drive: Drive, angle: float, rate: float) -> float:
    """The lever's place at which a joint turns at that rate, with the pump's whole flow."""
    part = min(1.0, abs(rate) / drive.top_rate(angle))
    if part < 0.002:
        return 0.0
    return math.copysign(DEADBAND + (1.0 - DEADBAND) * part ** (1.0 / METERING), rate)
