"""What a calibration makes of the slips that people make: named, doubted, or believed.

    python tests/benchmarks/spoilt_retrofits.py [--machines N] [--brief] [--output FILE.json] …

Each retrofit (the developers' public one where it is there, and simulated ones of many sizes, with the
fourth sensor on the bucket and on the rocker, with a level and by marks alone) is spoilt by each kind of
slip, one and two at a time, solved by what the service itself concludes, and judged against the truth:

- named right: what was spoilt is set aside or named, by id or by what it is;
- doubted: not named, but the calibration is doubtful or refused, so it is not written unasked;
- named wrong: accepted, with another reading set aside instead, and the tip off by more than stated;
- unseen and harmless: accepted, and the tip within what was stated;
- unseen and harmful: accepted, and the tip off by more than `HARMFUL` of its stated sigmas and 5 mm.

A slip of a kind and size that the report of the unspoilt case told beforehand (nothing checks it, and what it
would do) is counted as "told beforehand" besides.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))
sys.path.insert(0, str(Path(__file__).parent))

from calibrate_retrofits import DEFAULT, Retrofit
from retrofits import simulated

from tipdatum.calibration.adjustment import adjust
from tipdatum.calibration.observations import Observation, ObservationBook, without_doubles
from tipdatum.calibration.outcome import CalibrationOutcome, conclude
from tipdatum.calibration.recordings import RecordedEvidence, gather
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import verify
from tipdatum.errors import InputError
from tipdatum.machine.description import Machine

HARMFUL = 3.0
"""Stated sigmas of the tip, RMS over the acceptance postures, from which an error is more than was stated."""

LEAST_HARM_M = 0.005


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
    """One thing gone wrong: what it is, the words or ids that name it, and the spoilt case."""

    kind: str
    names: tuple[str, ...]
    case: Case


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
        return Slip(f"{kind} in a {o.kind}", (o.id,), with_values(case, {o.id: value}))

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
        return Slip("described length", ("described boom.length_m",), with_values(case, {}, machine=machine))
    stick = case.machine.stick.model_copy(update={"length_m": case.machine.stick.length_m + by})
    machine = case.machine.model_copy(update={"stick": stick})
    return Slip("described length", ("described stick.length_m",), with_values(case, {}, machine=machine))


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


@dataclass
class Judged:
    """What came of one spoilt case."""

    case: str
    slips: str
    result: str
    verdict: str
    error_mm: float
    stated_mm: float
    named: list[str]
    told_beforehand: bool
    seconds: float


def named_by(outcome: CalibrationOutcome, slip: Slip) -> bool:
    """Whether the outcome says what was spoilt."""
    said = [
        *outcome.solution.rejected,
        *outcome.verdict.reasons,
        *outcome.verdict.notes,
        *outcome.verdict.settle,
    ]
    return any(name in text for name in slip.names for text in said) or not slip.names


def judge(case: Case, slips: list[Slip], spoilt: Case, before: CalibrationOutcome) -> Judged:
    """One spoilt case solved and held against the truth."""
    start = time.perf_counter()
    try:
        outcome = spoilt.conclude()
    except (ValueError, InputError) as error:
        return Judged(
            case.name, kinds_of(slips), "refused with an error", str(error), 0.0, 0.0, [], False, 0.0
        )
    error, stated = case.error_m(outcome.machine), outcome.budget.rms_m
    word = outcome.verdict.word
    harmful = error > max(HARMFUL * stated, LEAST_HARM_M)
    right = all(named_by(outcome, s) for s in slips)
    dangerous = {r.id for r in before.checked if r.matters or not r.checked}
    told = any(name in dangerous for s in slips for name in s.names)
    if right and (word != "accepted" or not harmful):
        result = "named right"
    elif word != "accepted":
        result = "doubted"
    elif harmful:
        result = "named wrong" if outcome.solution.rejected and not right else "unseen and harmful"
    else:
        result = "unseen and harmless"
    return Judged(
        case.name, kinds_of(slips), result, word, 1000 * error, 1000 * stated,
        list(outcome.solution.rejected),
        told, time.perf_counter() - start,
    )  # fmt: skip


def kinds_of(slips: list[Slip]) -> str:
    """Kinds of some slips, for people."""
    return " + ".join(s.kind for s in slips)


def public_cases() -> Iterator[Case]:
    """The developers' public retrofit, both variants, without the slip that it has itself."""
    if not DEFAULT.exists():
        return
    for rocker in (False, True):
        r = Retrofit(DEFAULT, rocker)
        clean = tuple(o for o in r.book.solving() if o.id not in r.slips())
        yield Case(
            f"public, sensor on the {'rocker' if rocker else 'bucket'}", r.machine, clean, r.evidence, r.book,
            r._judges, r._judged,
        )  # fmt: skip


def simulated_cases(machines: int) -> Iterator[Case]:
    """Simulated ones: bucket and rocker, with a level and by marks alone."""
    for seed in range(machines):
        for rocker in (False, True):
            for level in (True, False):
                s = simulated(seed, rocker, level)
                chosen = s.book.solving()
                yield Case(
                    s.name + ("" if level else ", no level"), s.described, chosen, gather(s.book, [], chosen),
                    s.book, s.acceptance, gather(s.book, [], s.acceptance),
                )  # fmt: skip


def run(case: Case, pairs: int, seed: int, only: str | None) -> Iterator[Judged]:
    """Every kind of slip alone, and some pairs."""
    before = case.conclude()
    yield Judged(
        case.name, "nothing", "unspoilt", before.verdict.word, 1000 * case.error_m(before.machine),
        1000 * before.budget.rms_m, before.verdict.reasons, False, 0.0,
    )  # fmt: skip
    chance = random.Random(f"{case.name} {seed}")
    for name, spoil in KINDS.items():
        slip = spoil(case, chance) if only in (None, name) else None
        if slip is not None:
            yield judge(case, [slip], slip.case, before)
    for _ in range(pairs):
        one, two = (KINDS[n] for n in chance.sample(list(KINDS), 2))
        first = one(case, chance)
        second = two(first.case, chance) if first is not None else None
        if first is not None and second is not None:
            yield judge(case, [first, second], second.case, before)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="one simulated machine, no public one, no pairs")
    parser.add_argument("--machines", type=int, default=4)
    parser.add_argument("--pairs", type=int, default=4, help="pairs of slips a case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help=f"one kind of slip: {', '.join(KINDS)}")
    parser.add_argument("--case", default="", help="only cases whose name contains this")
    parser.add_argument("--brief", action="store_true", help="only the counts, and what went wrong")
    parser.add_argument("--output", type=Path)
    options = parser.parse_args()
    cases = [] if options.quick else list(public_cases())
    cases += simulated_cases(1 if options.quick else options.machines)
    found: list[Judged] = []
    for case in cases:
        if options.case not in case.name:
            continue
        for judged in run(case, 0 if options.quick else options.pairs, options.seed, options.only):
            found.append(judged)
            if options.brief:
                continue
            print(
                f"{judged.case:42} {judged.slips:52} {judged.result:20} {judged.verdict:9} "
                f"{judged.error_mm:7.1f} mm, stated {judged.stated_mm:5.1f}; {judged.named[:4]}"
                + (" (told beforehand)" if judged.told_beforehand else "")
                + f" {judged.seconds:.0f} s",
                flush=True,
            )
    for words, chosen in (
        ("one slip", [j for j in found if " + " not in j.slips and j.slips != "nothing"]),
        ("two slips", [j for j in found if " + " in j.slips]),
    ):
        count = Counter(j.result for j in chosen)
        print(f"{words}, {len(chosen)} cases: " + ", ".join(f"{n} {r}" for r, n in count.most_common()))
        for j in chosen:
            if j.result in ("unseen and harmful", "named wrong"):
                print(f"  {j.result}: {j.case}: {j.slips}{' (told beforehand)' if j.told_beforehand else ''}")
    clean = [j for j in found if j.result == "unspoilt"]
    print(
        f"unspoilt, {len(clean)} cases: "
        + ", ".join(f"{n} {word}" for word, n in Counter(j.verdict for j in clean).most_common())
        + f"; tip off by {max(j.error_mm for j in clean):.1f} mm at most, "
        f"{max(j.error_mm / j.stated_mm for j in clean):.1f} of what is stated"
    )
    if options.output is not None:
        options.output.write_text(json.dumps([asdict(j) for j in found], indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
