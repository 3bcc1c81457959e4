"""A solution told to the person who made the observations: tables and sentences, ready for a terminal."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from tipdatum.calibration.adjustment import Judged, Solution
from tipdatum.calibration.explanations import LOUD
from tipdatum.calibration.following import Followed
from tipdatum.calibration.outcome import CalibrationOutcome
from tipdatum.calibration.plan import Ranked
from tipdatum.calibration.statistics import Determined, condition, determined, strong_correlations
from tipdatum.calibration.verdict import amount, check_for, slip_words
from tipdatum.kinematics.frames import rotation_from_rpy_deg, rpy_deg_from_rotation
from tipdatum.sentences import counted, sentence

NEVER_OBSERVED = (
    "Not observable at all, and left as described: a boom foot beside the slew plane, and what all latencies "
    "have in common."
)
ONLY_MOTIONS = (
    "Positions of sensors, latencies and gyro scales show only in recorded motions of single joints; there "
    "are none, and they are left as described."
)
FOOT_HEIGHT = (
    "the boom foot's height: it shifts every elevation alike, so a reference takes it away again; "
    "measure it with a tape if heights over the ground under the tracks matter"
)
FOOT_X = "the boom foot's distance from the slew axis: it tilts with the upper only, and hardly moves the tip"
FAR_TURNED = 3.0
"""Turn of a mount, in deviations of what was assumed, that is worth a word."""

DRIFT_DEG = 0.15
"""Turn within a window from which a rest is called out as not still."""


BOLD = 1.2
"""Ratio of the tip's movements to the predicted ones from which it is worth a word."""

SHOWN = 6
"""Observations of the reliability table: the most dangerous ones."""


def summary(outcome: CalibrationOutcome) -> Iterator[RenderableType]:
    """Everything worth reading, in the order in which it matters."""
    yield from _outcome(outcome)
    yield from _reliability(outcome)
    yield parameters(outcome.solution)
    yield from _parts(outcome)
    yield from _unobserved(outcome.solution)
    yield from _warnings(outcome.solution)


def verdict_lines(outcome: CalibrationOutcome, tell: Callable[[str], str] = str) -> Iterator[RenderableType]:
    """The verdict, its reasons, and what would settle them.

    Args:
        tell: says a sentence in the reader's language.
    """
    v = outcome.verdict
    word = sentence(
        {
            "accepted": "cal-verdict-accepted",
            "doubtful": "cal-verdict-doubtful",
            "refused": "cal-verdict-refused",
        }[v.word]
    )
    yield Text(tell(word), style="bold")
    for reason in v.reasons:
        yield Text(tell(sentence("cal-because", what=reason)))
    if v.settle:
        yield Text(tell(sentence("cal-settle")))
        for line in v.settle:
            yield Text(f"  {tell(line)}")
    for note in v.notes:
        yield Text(tell(sentence("cal-note", what=note)))


def _outcome(outcome: CalibrationOutcome) -> Iterator[RenderableType]:
    s = outcome.solution
    n, windows = len(s.setup.observations), len(s.setup.windows)
    unchecked = outcome.unchecked
    checked = len(outcome.checked) - len(unchecked) + len(s.rejected)
    yield Text(
        f"{n} observations, {windows} still windows, {len(s.unknowns)} unknowns, "
        f"{s.degrees} degrees of freedom"
    )
    level = "as stated" if s.factor < LOUD else "larger than stated: the figures below are widened by it"
    yield Text(f"Misfits against the stated sigmas: factor {s.factor:.2f} ({level})")
    if s.start.label != "as described":
        yield Text(f"Solved from another start than what is described: {s.start.label}.")
    if s.rejected:
        yield Text(f"Set aside {len(s.rejected)} of {checked} observations that others check:")
        # What many have in common is told below; a hundred lines of it would hide it.
        shown = s.rejected if outcome.explanation is None else s.rejected[:SHOWN]
        for name in shown:
            yield Text("  " + rejected_text(s, name))
        if len(shown) < len(s.rejected):
            yield Text(f"  … and {len(s.rejected) - len(shown)} more")
    else:
        yield Text(f"Set aside none of {checked} observations that others check.")
    if outcome.explanation is not None:
        yield Text(f"It fits far better if {outcome.explanation.words}.")
    if unchecked:
        yield Text(
            f"Nothing checks {counted(len(unchecked), 'other')}, described dimensions among them; "
            "they may be wrong:"
        )
        for r in unchecked:
            effect = (
                f"{amount(r.unseen, r.unit)} in it move the tip by {1000 * r.effect_m:.0f} mm"
                if r.matters
                else f"harmless: {amount(r.unseen, r.unit)} in it move the tip by {1000 * r.effect_m:.1f} mm"
            )
            yield Text(f"  {r.id}: {effect}")
            if r.matters:
                yield Text(f"    {check_for(r)}")


def _reliability(outcome: CalibrationOutcome) -> Iterator[RenderableType]:
    table = Table(title="What a slip could do unseen, worst first", title_justify="left")
    table.add_column("observation")
    for name in ("redundancy", "smallest slip found", "moves the tip, mm"):
        table.add_column(name, justify="right")
    for r in [r for r in outcome.checked if r.checked][:SHOWN]:
        table.add_row(r.id, f"{r.redundancy:.2f}", amount(r.smallest, r.unit), f"{1000 * r.effect_m:.1f}")
    yield table


def rejected_text(solution: Solution, name: str) -> str:
    """What is wrong with a rejected observation, in one line."""
    rows = [j for j in solution.judged if j.row.id == name]
    worst = max(rows, key=lambda j: abs(j.standardised))
    what = next((f"{o.kind} of {o.of}" for o in solution.setup.observations if o.id == name), worst.row.kind)
    part = f", {worst.row.part}" if worst.row.part else ""
    sigmas = abs(worst.standardised)
    guess = slip_words(solution, name)
    return sentence(
        "cal-aside-meant" if guess else "cal-aside",
        id=name,
        what=what + part,
        misfit=misfit_text(worst),
        sigmas=round(sigmas, 1),
        guess=guess,
    )


def misfit_text(judged: Judged) -> str:
    """A misfit in the unit a person reads."""
    if judged.row.unit == "rad":
        return f"{math.degrees(judged.misfit):+.2f}°"
    if judged.row.unit == "m":
        return f"{1000.0 * judged.misfit:+.1f} mm"
    return f"{judged.misfit:+.4f} {judged.row.unit}"


def parameters(solution: Solution) -> Table:
    """Before, after and 1-sigma of everything that stays with the machine."""
    table = Table(title="What the machine is, 1-sigma", title_justify="left")
    for name, side in (
        ("", "left"),
        ("described", "right"),
        ("found", "right"),
        ("±", "right"),
        ("", "left"),
    ):
        table.add_column(name, justify=side)  # type: ignore[arg-type]
    state, machine = solution.state, solution.setup.machine
    for d in determined(solution):
        if d.name.startswith("sensor."):
            continue
        unit = "°" if d.unit == "deg" else ""
        digits = 3 if d.unit == "deg" else 4
        table.add_row(
            d.name,
            f"{d.prior:.{digits}f}{unit}",
            f"{d.value:.{digits}f}{unit}",
            f"{d.sigma:.{digits}f}",
            "" if d.observed else "not observed",
        )
    table.add_section()
    by_name = {d.name: d for d in determined(solution)}
    for i, name in enumerate(solution.setup.sensors):
        told = rpy_deg_from_rotation(state.mount[i])
        described = machine.sensor[name].mount_rpy_deg
        sigmas = [by_name[f"sensor.{name}.mount.{a}"] for a in ("roll", "pitch", "yaw")]
        table.add_row(
            f"sensor.{name}.mount_rpy_deg",
            _triple(described, 2),
            _triple(told, 2),
            _triple([x.sigma for x in sigmas], 3),
            _which(sigmas),
        )
        bias = [by_name.get(f"sensor.{name}.accel_bias.{a}") for a in "xyz"]
        seen = [b for b in bias if b is not None]
        if seen:
            table.add_row(
                f"sensor.{name}.accel_offset_mps2",
                _triple(machine.sensor[name].accel_offset_mps2, 3),
                _triple([b.value for b in seen], 3),
                _triple([b.sigma for b in seen], 4),
                _which(seen),
            )
    return table


def _parts(outcome: CalibrationOutcome) -> Iterator[RenderableType]:
    if not outcome.parts:
        yield Text(ONLY_MOTIONS)
        return
    table = Table(title="What the filter starts from, by the motions, 1-sigma", title_justify="left")
    table.add_column("sensor")
    for name in ("position described, m", "found, m", "±", "latency, ms", "found", "gyro scale - 1, %", "±"):
        table.add_column(name, justify="right")
    for name, part in outcome.parts.items():
        sensor = outcome.solution.setup.machine.sensor[name]
        table.add_row(
            name,
            _triple(sensor.position_m, 3),
            _triple(part.position_m.tolist(), 3),
            _triple(part.position_sigma_m.tolist(), 3),
            f"{1000 * sensor.latency_s:.1f}",
            f"{1000 * part.latency_s:.1f}",
            _triple((100 * (part.gyro_scale - 1) + 0.0).round(2).tolist(), 2),
            _triple((100 * part.gyro_scale_sigma).tolist(), 2),
        )
    yield table


def _unobserved(solution: Solution) -> Iterator[RenderableType]:
    unseen = [d for d in determined(solution) if not d.observed]
    lines = []
    for d in unseen:
        if d.name == "boom.foot_m.z":
            lines.append(FOOT_HEIGHT)
        elif d.name == "boom.foot_m.x":
            lines.append(FOOT_X)
        elif ".accel_scale." not in d.name:
            lines.append(d.name)
    if lines:
        yield Text("These observations hardly tell:")
        for line in lines:
            yield Text(f"  {line}")
    yield Text(NEVER_OBSERVED)
    pairs = strong_correlations(solution, 4)
    if pairs:
        yield Text("Cannot be told apart well (their sum is known better than either):")
        for a, b, r in pairs:
            yield Text(f"  {a} and {b}, correlation {r:+.3f}")
    yield Text(
        f"Condition of the unknowns, in units of what was known of them before: {condition(solution):.0f}"
    )


def _warnings(solution: Solution) -> Iterator[RenderableType]:
    for text in solution.setup.evidence.warnings:
        yield Text(f"Note: {text}")
    for s, name in enumerate(solution.setup.sensors):
        described = rotation_from_rpy_deg(solution.setup.machine.sensor[name].mount_rpy_deg)
        cosine = (float(np.trace(solution.state.mount[s] @ described.T)) - 1.0) / 2.0
        turned = math.degrees(math.acos(min(1.0, max(-1.0, cosine))))
        if turned > FAR_TURNED * solution.setup.assume.mount_sigma_deg:
            yield Text(
                f"Note: the {name} sensor sits {turned:.0f}° from where the description has it; "
                "if that cannot be, look at the axes printed on it and at the observations"
            )
    for window in solution.setup.windows:
        for name, rest in window.sensors.items():
            if rest.drift_deg > DRIFT_DEG:
                yield Text(
                    f"Note: {window.label}: {name} turned by {rest.drift_deg:.2f}° "
                    "while it should stand still"
                )


def next_postures(ranked: Sequence[Ranked], besides_m: float, most: int = 4) -> Iterator[RenderableType]:
    """The postures that would help most, and by how much.

    Args:
        besides_m: RMS of what no observation takes away (noise, the next power-up).
    """
    if not ranked:
        return
    yield Text(
        "More observations would bring the tip's 1-sigma over the envelope (without noise and the next "
        f"power-up, {1000 * besides_m:.1f} mm RMS, which no observation takes away), best first:"
    )
    now = ranked[0].before
    # One line a posture: of what may be read there, what is worth most.
    best = {r.candidate.angles: r for r in reversed(ranked)}
    for r in sorted(best.values(), key=lambda r: -r.worth)[:most]:
        yield Text(
            f"  from {1000 * now.worst_m:.1f} to {1000 * r.after.worst_m:.1f} mm at worst, "
            f"{1000 * now.rms_m:.1f} to {1000 * r.after.rms_m:.1f} mm RMS:  {r.candidate.label}"
        )


def followed(result: Followed) -> Iterator[RenderableType]:
    """Which recorded postures the guide asked for, in its order, and whether its predictions were honest."""
    yield Text(
        f"Followed the guide: {result.postures} of {result.available} recorded postures, "
        f"{result.readings} readings, were needed."
    )
    for t in result.order:
        yield Text(f"  {1000 * t.before.worst_m:7.1f} mm at worst before  {t.label}")
    bold = result.boldness
    honest = "as predicted" if bold < BOLD else f"{bold:.1f} times more than predicted, which is allowed for"
    yield Text(f"With each posture the tip moved {honest}.")
    if not result.reached:
        yield Text("The goal was not reached: the postures that are left would gain too little.")


def _triple(values: Sequence[float], digits: int) -> str:
    return " ".join(f"{v:.{digits}f}" for v in values)


def _which(found: Sequence[Determined]) -> str:
    unseen = [d.name.rsplit(".", 1)[1] for d in found if not d.observed]
    return f"{', '.join(unseen)} not observed" if unseen else ""
