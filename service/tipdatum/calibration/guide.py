"""The guided capture: what to do next, what to read, and how an answer becomes observations.

The guide talks through two functions, `say` and `ask`, and takes blocks of readings from an iterator, so
that a terminal, a recording and a test drive it alike. After every step the book is handed to `keep`:
whoever stops and comes back finds all that was done, and steps that are in the book are not asked again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration.observations import (
    Kind,
    Observation,
    ObservationBook,
    RestEntry,
    SensorSwing,
    SwingEntry,
)
from tipdatum.calibration.rest_posture import posture_of
from tipdatum.calibration.still import HOLD_S, AnyBlock, Block, Stillness, StillWatch, swing_of
from tipdatum.machine.description import Machine
from tipdatum.sentences import counted

FACES = ("x up", "x down", "y up", "y down", "z up", "z down", "on edge between x and y", "on a corner")
"""Rests of a sensor on the bench; a few degrees off do no harm."""

FIRST_POSTURES = (
    "boom half raised, stick hanging a little outwards, bucket cutting",
    "boom low, stick far out, bucket curled",
    "boom high, stick pulled in, bucket opened",
    "boom half raised, stick far out, bucket opened",
    "boom low, stick pulled in, bucket curled",
    "boom high, stick far out, bucket cutting",
)
"""Six postures unlike each other, until there is a solution that knows better."""

FIRST_ANGLES_DEG = (
    (28.0, -62.0, -100.0),
    (10.0, -30.0, -150.0),
    (48.0, -100.0, -75.0),
    (28.0, -35.0, -70.0),
    (20.0, -110.0, -165.0),
    (50.0, -40.0, -100.0),
)
"""About these angles of boom, stick and bucket against the horizontal, for a drawing of each of them."""

TOUCHES = 4
"""Touches of a mark that are asked for."""

MEASURED_IS_SAFE = (
    "Bucket on the ground or blocked, lever locked, engine off, key out, pressure released before anyone "
    "goes near the arm; never under a raised boom."
)


class StoppedError(Exception):
    """The person wants to stop here; everything so far is kept."""


class SkippedError(Exception):
    """The person leaves this step out."""


@dataclass(frozen=True, slots=True)
class Question:
    """One reading to ask for."""

    kind: Kind
    of: str
    unit: str
    sigma: float
    words: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: a rest with readings, or a swing of one joint.

    `sensors` are those that must be heard of; `fixed` are readings that need no asking, by kind.
    """

    id: str
    method: str
    words: str
    sensors: tuple[str, ...]
    questions: tuple[Question, ...] = ()
    fixed: tuple[tuple[Kind, str, float, str, float], ...] = ()
    swing: str = ""
    standing: bool = True


MEASURE = (
    Question("slope", "boom", "deg", 0.05, "slope of the line boom foot pin to boom–stick pin, degrees"),
    Question("slope", "second_boom", "deg", 0.05, "slope of the second boom's line of pins, degrees"),
    Question("slope", "stick", "deg", 0.05, "slope of the line boom–stick pin to stick–bucket pin, degrees"),
    Question("slope", "coupler", "deg", 0.05, "slope of the line between the coupler's own pins, degrees"),
    Question("slope", "bucket", "deg", 0.05, "slope of the line stick–bucket pin to tip, degrees"),
    Question("height", "boom_foot", "m", 0.002, "height of the boom foot pin over your benchmark, m"),
    Question("height", "boom_second", "m", 0.002, "height of the pin between boom and second boom, m"),
    Question("height", "boom_stick", "m", 0.002, "height of the boom–stick pin, m"),
    Question("height", "stick_bucket", "m", 0.002, "height of the stick–bucket pin, m"),
    Question("height", "coupler_bucket", "m", 0.002, "height of the pin that holds the bucket, m"),
    Question("height", "tip", "m", 0.002, "height of the tip, m"),
)


def bench_steps(sensor: str, gravity_mps2: float) -> list[Step]:
    """Rests of one loose sensor on a table."""
    return [
        Step(
            f"bench-{sensor}-{i}",
            "bench",
            f"Lay the {sensor} sensor on the table, {face}, and let go of it.",
            (sensor,),
            fixed=(("specific_force", f"{sensor}: {face}", gravity_mps2, "m/s2", 0.002),),
            standing=False,
        )
        for i, face in enumerate(FACES, 1)
    ]


def measured_step(number: int, words: str, machine: Machine) -> Step:
    """A posture whose slopes and heights are read."""
    coupled = () if machine.coupler is None else ("coupler", "coupler_bucket")
    of = (*machine.sections, *machine.pins, *coupled)
    return Step(
        f"measured-{number}",
        "slopes",
        f"Bring the arm to: {words}{_plain(machine)}. {MEASURED_IS_SAFE}",
        watched(machine),
        tuple(q for q in MEASURE if q.of in of),
    )


def _plain(machine: Machine) -> str:
    """How joints beside the arm plane stand in a rest that says nothing of them."""
    swing = "" if machine.boom_swing is None else "; boom straight ahead"
    return swing + ("" if machine.bucket[0].tilt_axis_m is None else "; bucket not tilted")


def touch_step(number: int, mark: str, machine: Machine) -> Step:
    """The tip on a mark."""
    return Step(
        f"touch-{mark}-{number}",
        "common",
        f"Put the middle of the teeth on mark {mark}, in a posture unlike the ones before.",
        watched(machine),
        fixed=(("tip_on_mark", mark, 0.0, "m", 0.003),),
    )


def reversal_steps(machine: Machine) -> list[Step]:
    """The arm untouched, the upper turned by quarter turns."""
    words = "Leave the arm as it is and slew to {} degrees by the chalk marks on the slew ring"
    return [
        Step(
            f"reversal-{slew}",
            "reversal",
            words.format(slew) + ".",
            watched(machine),
            fixed=(("slew", "upper", float(slew), "deg", 0.5),),
        )
        for slew in (0, 90, 180, 270)
    ]


def watched(machine: Machine) -> tuple[str, ...]:
    """Tilt sensors of the machine."""
    return tuple(n for n, s in machine.sensor.items() if s.type in ("imu", "tilt"))


def open_questions(step: Step, entry: RestEntry) -> tuple[Question, ...]:
    """What a person is to read at a rest: all but what a sensor has told."""
    return tuple(q for q in step.questions if q.kind != "encoder" or q.of not in entry.told_deg)


def rest_observations(
    step: Step, rest_id: str, standing: str, values: Mapping[Question, float]
) -> list[Observation]:
    """What a rest gives: what needs no asking, and the readings that were answered."""
    stated = [*step.fixed, *((q.kind, q.of, v, q.unit, q.sigma) for q, v in values.items())]
    return [
        Observation(
            id=f"{step.id} {kind} {of}",
            method=step.method,
            kind=kind,
            of=of,
            value=value,
            unit=unit,
            sigma=sigma,
            rest=rest_id,
            standing=standing if step.standing else None,
        )
        for kind, of, value, unit, sigma in stated
    ]


def with_rest(book: ObservationBook, entry: RestEntry, found: Sequence[Observation]) -> ObservationBook:
    """The book with one more rest and what was read at it."""
    return book.model_copy(update={"rest": (*book.rest, entry), "observation": (*book.observation, *found)})


def with_swing(
    book: ObservationBook, step: Step, standing: str, seen: Mapping[str, SensorSwing]
) -> ObservationBook:
    """The book with one more single-joint motion, begun in the direction that the step asks for."""
    observation = Observation(
        id=step.id, method=step.method, kind="single_joint", of=step.swing, value=1.0, unit="sign",
        standing=standing,
    )  # fmt: skip
    return book.model_copy(
        update={
            "swing": (*book.swing, SwingEntry(id=step.id, sensor=dict(seen))),
            "observation": (*book.observation, observation),
        }
    )


def is_done(book: ObservationBook, step: Step) -> bool:
    """Whether the book holds the step."""
    return any(o.id == step.id or o.id.startswith(step.id + " ") for o in book.observation)


@dataclass(slots=True)
class Guide:
    """One capture in progress.

    Attributes:
        source: blocks in order of time; ends when the recording does.
        say: shows a line. status: shows how still the machine is, again and again. ask: a question and
        its default; returns what was typed. keep: stores the book.
        standing: name of the place the machine stands at. power_up: name of this power-up.
    """

    machine: Machine
    book: ObservationBook
    source: Iterator[AnyBlock]
    say: Callable[[str], None]
    status: Callable[[Stillness], None]
    ask: Callable[[str, str], str]
    keep: Callable[[ObservationBook], None]
    standing: str
    power_up: str
    taken: str = ""
    _watch: StillWatch | None = None

    def done(self, step: Step) -> bool:
        """Whether the book already holds it."""
        return is_done(self.book, step)

    def run(self, steps: Sequence[Step]) -> None:
        """Every step that is not in the book yet.

        Raises:
            StoppedError: the person stopped, or the readings ended.
        """
        for step in steps:
            if self.done(step):
                self.say(f"{step.id}: already in the book")
                continue
            try:
                self.take(step)
            except SkippedError:
                self.say(f"{step.id}: left out")

    def take(self, step: Step) -> None:
        """One step, until it is in the book.

        Raises:
            StoppedError, SkippedError: as the person says, or at the end of the readings.
        """
        self.say(step.words)
        if step.swing:
            self._swing(step)
        else:
            self._rest(step)
        self.keep(self.book)

    def _rest(self, step: Step) -> None:
        watch = self._watch_for(step.sensors)
        rest_id = f"rest {step.id}"
        while True:
            self._until_still(watch)
            entry = RestEntry(
                id=rest_id, power_up=self.power_up, taken=self.taken, sensor=watch.rest(),
                told_deg=watch.told_deg(),
            )  # fmt: skip
            self._tell(entry, watch.span())
            # Whoever pauses on the way to a posture must be able to say that this is not it.
            if self._yes("Take this rest? Enter for yes, n to wait for the next one"):
                break
        values: dict[Question, float] = {}
        for q in open_questions(step, entry):
            value = self._number(q.words)
            if value is not None:
                values[q] = value
        found = rest_observations(step, rest_id, self.standing, values)
        if not found:
            raise SkippedError
        self.book = with_rest(self.book, entry, found)
        self.say(f"Kept: {step.id}, {counted(len(found), 'reading')}.")

    def _swing(self, step: Step) -> None:
        watch = self._watch_for(step.sensors)
        self._until_still(watch, moved_first=False)
        before = watch.rest()
        bias = {n: np.array(r.gyro_radps) for n, r in before.items() if r.gyro_radps is not None}
        kept: list[Block] = []
        moving = False
        for block in self.source:
            watch.feed(block)
            if isinstance(block, Block):
                kept.append(block)
            state = watch.judge()
            self.status(state)
            moving = moving or state.still_s < HOLD_S / 4
            if moving and state.ready:
                break
        else:
            raise StoppedError
        seen = swing_of(kept, bias)
        if not seen:
            self.say("No gyro turned by more than 5 degrees; not kept.")
            raise SkippedError
        self.say("Turned: " + ", ".join(f"{n} {np.degrees(s.turned_rad):.0f}°" for n, s in seen.items()))
        self.book = with_swing(self.book, step, self.standing, seen)

    def _watch_for(self, sensors: tuple[str, ...]) -> StillWatch:
        if self._watch is None or self._watch.sensors != sensors:
            self._watch = StillWatch(sensors)
        return self._watch

    def _until_still(self, watch: StillWatch, moved_first: bool = True) -> None:
        """Wait for a new rest: where one has just been used, only after it has ended."""
        moved = not (moved_first and watch.judge().ready)
        if not moved_first and watch.judge().ready:
            return
        for block in self.source:
            watch.feed(block)
            state = watch.judge()
            self.status(state)
            moved = moved or state.still_s < HOLD_S / 2
            if moved and state.ready:
                return
        raise StoppedError

    def _yes(self, words: str) -> bool:
        typed = self.ask(words, "").strip().lower()
        if typed in ("stop", "quit", "q"):
            raise StoppedError
        if typed == "skip":
            raise SkippedError
        return not typed.startswith("n")

    def _tell(self, entry: RestEntry, span: tuple[float, float]) -> None:
        drifts = {n: r.drift_deg for n, r in entry.sensor.items()}
        worst = max(drifts, key=lambda n: drifts[n])
        shaking = max(max(r.sigma_mps2) for r in entry.sensor.values())
        self.say(
            f"Still from {span[0]:.1f} to {span[1]:.1f} s: averages steady to {1000 * shaking:.1f} mm/s², "
            f"largest drift {drifts[worst]:.3f}° ({worst})"
            + "".join(f"; {name} tells {angle:.2f}°" for name, angle in entry.told_deg.items())
            + self._posture(entry)
        )

    def _posture(self, entry: RestEntry) -> str:
        """The arm's angles as the description so far takes them, for recognising the posture."""
        try:
            q = np.degrees(posture_of(self.machine, entry.sensor).q)
        except ValueError:
            return ""
        called = [body.replace("_", " ") for body in self.machine.sections]
        return "; about " + ", ".join(f"{n} {a:+.0f}°" for n, a in zip(called, q[2:], strict=True))

    def _number(self, words: str) -> float | None:
        """A reading; empty leaves it out.

        Raises:
            StoppedError, SkippedError: "stop" and "skip" were typed.
        """
        while True:
            typed = self.ask(words, "").strip().replace(",", ".")
            if typed in ("stop", "quit", "q"):
                raise StoppedError
            if typed == "skip":
                raise SkippedError
            if not typed:
                return None
            try:
                return float(typed)
            except ValueError:
                self.say(f'"{typed}" is no number; type one, nothing to leave it out, "skip" or "stop"')
