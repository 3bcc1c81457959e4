"""Slips that people make when they calibrate, each as a change of a retrofit that can be spoilt."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tipdatum.calibration.adjustment import adjust
from tipdatum.calibration.observations import Observation, ObservationBook, without_doubles
from tipdatum.calibration.outcome import CalibrationOutcome, conclude
from tipdatum.calibration.recordings import RecordedEvidence
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import verify
from tipdatum.machine.description import Machine


@dataclass
class Case:
    """A retrofit that can be spoilt."""

    name: str
    machine: Machine
    observations: tuple[Observation, ...]
    evidence: RecordedEvidence
    book: ObservationBook
    judges: Sequence[Observation]
    judged: RecordedEvidence

    def conclude(self) -> CalibrationOutcome:
        """What the service makes of it."""
        chosen, _ = without_doubles(self.observations)
        solution = adjust(make_setup(self.machine, chosen, self.evidence, self.book.assume))
        return conclude(solution, "", "2026-01-01T00:00:00Z")

    def error_m(self, machine: Machine) -> float:
        """RMS of the tip against true heights; infinite where the machine cannot take a posture."""
        try:
            return verify(machine, self.judges, self.judged).rms_m
        except ValueError:
            return float("inf")


@dataclass
class Slip:
    """One thing gone wrong: what it is, the words or ids that name it, and the spoilt case.

    `size` is that of a slip in the one value that `names` holds, m or rad; None where there is no one value.
    """

    kind: str
    names: tuple[str, ...]
    case: Case
    size: float | None = None


def with_values(case: Case, changes: dict[str, float], **others: Any) -> Case:
    """The case with other values of some observations, and other fields."""
    spoilt = tuple(
        o.model_copy(update={"value": changes[o.id]}) if o.id in changes else o for o in case.observations
    )
    return Case(**{**case.__dict__, "observations": spoilt, **others})


def some(case: Case, kinds: Sequence[str], chance: random.Random) -> Observation | None:
    """A reading of one of these kinds."""
    found = [o for o in case.observations if o.kind in kinds and o.value is not None]
    return chance.choice(found) if found else None


def of_one(kind: str, kinds: Sequence[str], change: Callable[[float, random.Random], float]) -> Any:
    """A slip in one value."""

    def spoil(case: Case, chance: random.Random) -> Slip | None:
        o = some(case, kinds, chance)
        if o is None:
            return None
        value = change(o.value or 0.0, chance)
        if value == o.value:
            return None
        size = abs(value - (o.value or 0.0))
        size = math.radians(size) if o.unit == "deg" else size
        return Slip(f"{kind} in a {o.kind}", (o.id,), with_values(case, {o.id: value}), size)

    return spoil


def digits_exchanged(value: float, chance: random.Random) -> float:
    """Two neighbouring digits of a value exchanged, the first that differ after the sign."""
    text = list(f"{abs(value):.3f}")
    pairs = [
        (i, i + 1)
        for i in range(len(text) - 1)
        if text[i].isdigit() and text[i + 1].isdigit() and text[i] != text[i + 1]
    ]
    if not pairs:
        return value
    a, b = chance.choice(pairs[:2])
    text[a], text[b] = text[b], text[a]
    return float(np.copysign(float("".join(text)), value))


def described_length(case: Case, chance: random.Random) -> Slip:
    """A length of the description wrong by centimetres to decimetres."""
    by = chance.choice((-1, 1)) * chance.choice((0.1, 0.3, 0.6)) * case.machine.stick.length_m / 2.5
    if chance.random() < 0.5:
        boom = case.machine.boom.model_copy(update={"length_m": case.machine.boom.length_m + by})
        machine = case.machine.model_copy(update={"boom": boom})
        spoilt = with_values(case, {}, machine=machine)
        return Slip("described length", ("described boom.length_m",), spoilt, abs(by))
    stick = case.machine.stick.model_copy(update={"length_m": case.machine.stick.length_m + by})
    machine = case.machine.model_copy(update={"stick": stick})
    spoilt = with_values(case, {}, machine=machine)
    return Slip("described length", ("described stick.length_m",), spoilt, abs(by))


def shared_offset(case: Case, chance: random.Random) -> Slip | None:
    """All heights of the tip, or all slopes of a link, wrong alike."""
    if chance.random() < 0.5:
        tips = {
            o.id: (o.value or 0.0) + 0.04 for o in case.observations if o.kind == "height" and o.of == "tip"
        }
        return Slip("all tip heights", ("heights of the tip",), with_values(case, tips)) if tips else None
    of = chance.choice(("boom", "stick"))
    slopes = {o.id: (o.value or 0.0) + 1.0 for o in case.observations if o.kind == "slope" and o.of == of}
    return (
        Slip("level beside the pins", (f"slopes of the {of}",), with_values(case, slopes)) if slopes else None
    )


def exchanged(case: Case, chance: random.Random) -> Slip:
    """Two sensors described in each other's place."""
    seen = {n for w in case.evidence.windows.values() if len(w.sensors) > 1 for n in w.sensors}
    names = [n for n in case.machine.sensor if n in seen]
    a, b = chance.sample(names, 2)
    first, second = case.machine.sensor[a], case.machine.sensor[b]
    sensors = {
        **case.machine.sensor,
        a: first.model_copy(update={"body": second.body, "mount_rpy_deg": second.mount_rpy_deg}),
        b: second.model_copy(update={"body": first.body, "mount_rpy_deg": first.mount_rpy_deg}),
    }
    names_ = (f"{a} and {b} are exchanged", f"{b} and {a} are exchanged")
    return Slip(
        "sensors exchanged",
        names_,
        with_values(case, {}, machine=case.machine.model_copy(update={"sensor": sensors})),
    )


def assembly(case: Case, chance: random.Random) -> Slip | None:
    """The linkage described on its other side."""
    if case.machine.linkage is None or case.machine.sensor_on("rocker") is None:
        return None
    other = case.machine.linkage.model_copy(update={"assembly": -case.machine.linkage.assembly})
    machine = case.machine.model_copy(update={"linkage": other})
    return Slip("linkage's other side", ("assembled the other way",), with_values(case, {}, machine=machine))


def mirrored(case: Case, chance: random.Random) -> Slip:
    """All slews to the wrong side."""
    slews = {o.id: -(o.value or 0.0) for o in case.observations if o.kind == "slew"}
    return Slip("slews mirrored", ("slews are counted to the wrong side",), with_values(case, slews))


def wrong_motion(case: Case, chance: random.Random) -> Slip | None:
    """A single joint noted as having moved the other way."""
    o = some(case, ("single_joint",), chance)
    return Slip("motion's sign", (o.id,), with_values(case, {o.id: -(o.value or 1.0)})) if o else None


def moved_tracks(case: Case, chance: random.Random) -> Slip | None:
    """The tracks moved, and the standing kept its name: all later heights are off."""
    windows = list(dict.fromkeys(o.place for o in case.observations if o.kind == "height"))
    if len(windows) < 5:
        return None
    by, later = chance.choice((-1, 1)) * chance.uniform(0.03, 0.2), set(windows[3:])
    heights = {
        o.id: (o.value or 0.0) + by for o in case.observations if o.kind == "height" and o.place in later
    }
    return Slip("two standings in one", ("is two standings",), with_values(case, heights))


def duplicate(case: Case, chance: random.Random) -> Slip | None:
    """A reading in the book twice, under another id."""
    o = some(case, ("height", "slope", "height_difference"), chance)
    if o is None:
        return None
    twice = (*case.observations, o.model_copy(update={"id": f"{o.id} again"}))
    return Slip("duplicate", (), Case(**{**case.__dict__, "observations": twice}))


VALUES = ("slope", "height", "height_difference")
METRES = ("height", "height_difference")
KINDS: dict[str, Callable[[Case, random.Random], Slip | None]] = {
    "misread": of_one("misread", VALUES, lambda v, c: v + c.choice((-1, 1)) * (1.0 if abs(v) > 5 else 0.1)),
    "digits": of_one("digits exchanged", VALUES, digits_exchanged),
    "sign": of_one("wrong sign", VALUES, lambda v, c: -v),
    "decimal point": of_one("decimal point", VALUES, lambda v, c: v * c.choice((0.1, 10.0))),
    "millimetres": of_one("millimetres", METRES, lambda v, c: v * 1000.0),
    "off the mark": of_one(
        "tip off the mark", ("tip_on_mark",), lambda v, c: v + c.choice((-1, 1)) * c.uniform(0.03, 0.1)
    ),
    "described length": described_length,
    "shared offset": shared_offset,
    "sensors exchanged": exchanged,
    "assembly": assembly,
    "slews mirrored": mirrored,
    "motion's sign": wrong_motion,
    "two standings in one": moved_tracks,
    "duplicate": duplicate,
}  # fmt: skip
