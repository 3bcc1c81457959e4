"""Somebody at the levers: carries out a script by looking at the machine, as a person does.

It sees where the tip is, wants it somewhere along a line, and moves levers so that the joints' speeds would
bring it there; oil, lag, shared flow and soil have their say. Its hand is not steady: the height that it
aims at wanders by some millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.simulator.hydraulics import DEADBAND, METERING, Drive
from tipdatum.simulator.scenario import FaultStep, Goal, ScriptStep
from tipdatum.simulator.sensors import Deviates
from tipdatum.simulator.simulation import STEP_S, Simulation
from tipdatum_drivers.reading import Command

GAIN, SLEW_GAIN, LEAD_S = 2.6, 1.4, 0.10
ATTITUDE_RADPS, SLEW_RADPS = 0.9, 0.55
"""How fast it turns bucket and upper when nothing else sets the pace."""
RAMP_S = 0.5
ARRIVED_M, ARRIVED_RAD, PATIENCE_S = 0.04, 0.05, 2.5
WANDER_M, WANDER_S = 0.006, 1.5


@dataclass(slots=True)
class _Move:
    """A line of the tip in reach and height, with attitude and slew beside it, over `seconds`."""

    start: tuple[float, float, float, float]
    end: tuple[float, float, float, float]
    seconds: float
    even: bool

    def at(self, t: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Where everything should be at `t` s, and how fast."""
        s, rate = self._part(t)
        place = tuple(a + s * (b - a) for a, b in zip(self.start, self.end, strict=True))
        return place, tuple(rate * (b - a) for a, b in zip(self.start, self.end, strict=True))

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

    def _here(self) -> tuple[float, float, float, float]:
        sim = self._sim
        ahead = sim.motion.R[sim.chain.index["slew"]][:, 0]
        tip = sim.tip() - sim.slew_centre
        reach = float(tip[0] * ahead[0] + tip[1] * ahead[1]) / math.hypot(ahead[0], ahead[1])
        attitude = sim.elevation_angles()[-1]
        # A curled bucket is beyond -180°, not at +170°.
        attitude = attitude - 2.0 * math.pi if attitude > 1.2 else attitude
        return reach, float(sim.tip()[2] - sim.ground_start), attitude, sim.joint_angles()["slew"]

    def _plan(self, goal: Goal, *, even: bool) -> _Move:
        here = self._here()
        told = (
            goal.reach_m,
            goal.height_m,
            None if goal.attitude_deg is None else math.radians(goal.attitude_deg),
            None if goal.slew_deg is None else math.radians(goal.slew_deg),
        )
        end = tuple(b if b is not None else a for a, b in zip(here, told, strict=True))
        way = math.hypot(end[0] - here[0], end[1] - here[1])
        least = way / goal.speed_mps + RAMP_S if even else 1.6 * way / goal.speed_mps
        seconds = max(
            least, 1.5 * abs(end[2] - here[2]) / ATTITUDE_RADPS, 1.5 * abs(end[3] - here[3]) / SLEW_RADPS, 0.6
        )
        return _Move(here, (end[0], end[1], end[2], end[3]), seconds, even)

    def _follow(self, move: _Move, t: float) -> dict[str, float]:
        since = t - self._since
        place, _ = move.at(since)
        _, speed = move.at(since + LEAD_S)
        here = self._here()
        step = STEP_S / WANDER_S
        self._wander += -self._wander * step + WANDER_M * math.sqrt(2.0 * step) * self._normal()
        gaps = [a - b for a, b in zip(place, here, strict=True)]
        if move.even:
            gaps[1] += self._wander
        near = math.hypot(gaps[0], gaps[1]) < ARRIVED_M and max(abs(gaps[2]), abs(gaps[3])) < ARRIVED_RAD
        if since > move.seconds and (near or since > move.seconds + PATIENCE_S):
            self._move = None
        wanted = [v + GAIN * gap for v, gap in zip(speed, gaps, strict=True)]
        return self._levers_for(wanted[0], wanted[1], wanted[2], speed[3] + SLEW_GAIN * gaps[3])

    def _levers_for(self, along: float, rise: float, attitude: float, slew: float) -> dict[str, float]:
        """Levers that give these speeds of tip (m/s), bucket and upper (rad/s)."""
        sim = self._sim
        boom, stick, bucket = sim.elevation_angles()
        a, b, c = (s.length for s in sim.plant.arm)
        # Tip speed less what the bucket's own turn gives, shared between boom and stick.
        x = along + c * math.sin(bucket) * attitude
        z = rise - c * math.cos(bucket) * attitude
        J = np.array([[-a * math.sin(boom), -b * math.sin(stick)], [a * math.cos(boom), b * math.cos(stick)]])
        turn = np.linalg.solve(J.T @ J + 0.02 * a * b * np.eye(2), J.T @ np.array([x, z])).tolist()
        rates = {"boom": turn[0], "stick": turn[1] - turn[0], "bucket": attitude - turn[1], "slew": slew}
        angles, drives = sim.joint_angles(), sim.hydraulics.drives
        return {name: _lever(drives[name], angles[name], rate) for name, rate in rates.items()}

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
