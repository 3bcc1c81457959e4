"""What a calibration makes of the slips that people make: named, doubted, or believed.

    python tests/benchmarks/spoilt_retrofits.py [--machines N] [--processes N] [--brief] …

Each retrofit (the developers' public one where it is there, and simulated ones of many sizes, with the
fourth sensor on the bucket and on the rocker, with a level and by marks alone) is spoilt by each kind of
slip, one and two at a time, solved by what the service itself concludes, and judged against the truth:

- named right: what was spoilt is set aside or named, by id or by what it is;
- doubted: not named, but the calibration is doubtful or refused, so it is not written unasked; where it was
  not accepted before it was spoilt either, "doubted, as unspoilt";
- named wrong: accepted, with another reading set aside instead, and the tip off by more than stated;
- unseen and harmless: accepted, and the tip within what was stated;
- unseen and harmful: accepted, and the tip off by more than `HARMFUL` of its stated sigmas and 5 mm.

What is not named is held against the report of the unspoilt case: it was told beforehand where that lists
every such slip as one that nothing checks, or that a test finds only when it is larger than this one. Slips
of many readings at once have no line there, so they never count as told. What that report says of a reading
anyway does not count as naming it.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))
sys.path.insert(0, str(Path(__file__).parent))

from calibrate_retrofits import DEFAULT, Retrofit
from retrofits import simulated
from slip_kinds import KINDS, Case, Slip
from threadpoolctl import threadpool_limits

from tipdatum.calibration.outcome import CalibrationOutcome
from tipdatum.calibration.recordings import gather
from tipdatum.errors import InputError

HARMFUL = 3.0
"""Stated sigmas of the tip, RMS over the acceptance postures, from which an error is more than was stated."""

LEAST_HARM_M = 0.005


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


def named_by(outcome: CalibrationOutcome, slip: Slip, before: CalibrationOutcome) -> bool:
    """Whether the outcome says what was spoilt, and the report of the unspoilt case does not anyway."""
    told, known = said_by(outcome), said_by(before)
    return not slip.names or any(
        any(name in text for text in outcome.solution.rejected)
        or (any(name in text for text in told) and not any(name in text for text in known))
        for name in slip.names
    )


def said_by(outcome: CalibrationOutcome) -> list[str]:
    """Every sentence of a verdict."""
    return [*outcome.verdict.reasons, *outcome.verdict.notes, *outcome.verdict.settle]


def told_by(before: CalibrationOutcome, slip: Slip) -> bool:
    """Whether the report of the unspoilt case lists such a slip among those that pass unseen."""
    if slip.size is None:
        return False
    known = {r.id: r for r in before.checked}
    return all(
        name in known and (not known[name].checked or slip.size <= known[name].smallest)
        for name in slip.names
    )


def judge(case: Case, slips: list[Slip], spoilt: Case, before: CalibrationOutcome) -> Judged:
    """One spoilt case solved and held against the truth."""
    start = time.perf_counter()
    try:
        outcome = spoilt.conclude()
    except (ValueError, InputError) as trouble:
        return Judged(
            case.name, kinds_of(slips), "refused with an error", str(trouble), 0.0, 0.0, [], False, 0.0
        )
    error, stated = case.error_m(outcome.machine), outcome.budget.rms_m
    word = outcome.verdict.word
    harmful = error > max(HARMFUL * stated, LEAST_HARM_M)
    unnamed = [s for s in slips if not named_by(outcome, s, before)]
    right = not unnamed
    told = bool(unnamed) and all(told_by(before, s) for s in unnamed)
    if right and (word != "accepted" or not harmful):
        result = "named right"
    elif word != "accepted":
        result = "doubted" if before.verdict.word == "accepted" else "doubted, as unspoilt"
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


def line_of(judged: Judged) -> str:
    """One spoilt case in one line."""
    return (
        f"{judged.case:42} {judged.slips:52} {judged.result:20} {judged.verdict:9} "
        f"{judged.error_mm:7.1f} mm, stated {judged.stated_mm:5.1f}; {judged.named[:4]}"
        + (" (told beforehand)" if judged.told_beforehand else "")
        + f" {judged.seconds:.0f} s"
    )


def public_case(rocker: bool) -> Case:
    """The developers' public retrofit, without the slip that it has itself."""
    r = Retrofit(DEFAULT, rocker)
    clean = tuple(o for o in r.book.solving() if o.id not in r.slips())
    name = f"public, sensor on the {'rocker' if rocker else 'bucket'}"
    return Case(name, r.machine, clean, r.evidence, r.book, r._judges, r._judged)


def simulated_case(seed: int, rocker: bool, level: bool) -> Case:
    """A simulated one, with a level or by marks alone."""
    s = simulated(seed, rocker, level)
    chosen = s.book.solving()
    return Case(
        s.name + ("" if level else ", no level"), s.described, chosen, gather(s.book, [], chosen),
        s.book, s.acceptance, gather(s.book, [], s.acceptance),
    )  # fmt: skip


def makers(machines: int, public: bool) -> Iterator[Callable[[], Case]]:
    """What makes each case: the public retrofit where it is there, and so many simulated machines."""
    both = (False, True)
    if public and DEFAULT.exists():
        for rocker in both:
            yield partial(public_case, rocker)
    for seed in range(machines):
        for rocker in both:
            for level in (True, False):
                yield partial(simulated_case, seed, rocker, level)


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


@dataclass(frozen=True)
class Wanted:
    """What is to be done with each case."""

    pairs: int
    seed: int
    only: str | None
    case: str


def run_made(make: Callable[[], Case], wanted: Wanted) -> list[Judged]:
    """Every spoilt variant of the case that `make` makes; none of one that is not asked for."""
    with threadpool_limits(limits=1):
        case = make()
        return list(run(case, wanted.pairs, wanted.seed, wanted.only)) if wanted.case in case.name else []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="one simulated machine, no public one, no pairs")
    parser.add_argument("--machines", type=int, default=4)
    parser.add_argument("--pairs", type=int, default=4, help="pairs of slips a case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--only", help=f"one kind of slip: {', '.join(KINDS)}")
    parser.add_argument("--case", default="", help="only cases whose name contains this")
    parser.add_argument("--brief", action="store_true", help="only the counts, and what went wrong")
    parser.add_argument("--output", type=Path)
    options = parser.parse_args()
    wanted = Wanted(0 if options.quick else options.pairs, options.seed, options.only, options.case)
    made = list(makers(1 if options.quick else options.machines, public=not options.quick))
    found: list[Judged] = []
    with ProcessPoolExecutor(options.processes) as pool:
        work = [pool.submit(run_made, make, wanted) for make in made]
        for n, future in enumerate(work, 1):
            found += future.result()
            print(f"{n} of {len(work)} retrofits, {len(found)} cases", file=sys.stderr, flush=True)
            if not options.brief:
                for judged in future.result():
                    print(line_of(judged), flush=True)
    for words, chosen in (
        ("one slip", [j for j in found if " + " not in j.slips and j.slips != "nothing"]),
        ("two slips", [j for j in found if " + " in j.slips]),
    ):
        count = Counter(j.result for j in chosen)
        told = Counter(j.result for j in chosen if j.told_beforehand)
        print(
            f"{words}, {len(chosen)} cases: "
            + ", ".join(
                f"{n} {r}" + (f" ({told[r]} told beforehand)" if told[r] else "")
                for r, n in count.most_common()
            )
        )
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
