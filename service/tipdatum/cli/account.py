"""What a calibration comes to, gathered for its report."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tipdatum.calibration.adjustment import CRITICAL
from tipdatum.calibration.outcome import CalibrationOutcome
from tipdatum.calibration.plan import Ranked
from tipdatum.calibration.reliability import VALUE_PARTS, Reliability
from tipdatum.calibration.report import misfit_text, rejected_text
from tipdatum.calibration.statistics import determined
from tipdatum.calibration.verdict import amount, check_for
from tipdatum.display.calibration.account import Account, Dimension, Judgement, Next, Stand
from tipdatum.machine.description import Machine


def account(outcome: CalibrationOutcome, ranked: Sequence[Ranked], written: bool) -> Account:
    """The account of an outcome.

    Args:
        ranked: postures that would help, best first. written: whether the machine file was.
    """
    judgements = _judgements(outcome)
    v, s = outcome.verdict, outcome.solution
    return Account(
        machine=outcome.machine.name,
        date=str(outcome.origin["date"]),
        verdict=v.word,
        reasons=tuple(v.reasons),
        settle=tuple(v.settle),
        notes=(*v.notes, *s.setup.evidence.warnings),
        tip_rms_m=outcome.budget.rms_m,
        tip_worst_m=outcome.budget.worst_m,
        factor=s.factor,
        degrees=s.degrees,
        written=written,
        judgements=judgements,
        stands=_stands(outcome, judgements),
        dimensions=tuple(
            Dimension(d.name, d.prior, d.value, d.sigma, d.unit, d.observed) for d in determined(s)
        ),
        next=tuple(
            Next(r.candidate.label, r.before.worst_m, r.after.worst_m)
            for r in list({r.candidate.angles: r for r in reversed(ranked)}.values())[:-5:-1]
        ),
        critical=CRITICAL,
    )


def _judgements(outcome: CalibrationOutcome) -> tuple[Judgement, ...]:
    s = outcome.solution
    checked = {r.id: r for r in outcome.checked}
    noted = {o.id: o for o in s.setup.observations}
    worst: dict[str, int] = {}
    for i, j in enumerate(s.judged):
        if j.row.tested and (j.row.part in VALUE_PARTS or j.rejected) and j.row.kind != "reading":
            best = worst.get(j.row.id)
            if best is None or abs(j.standardised) > abs(s.judged[best].standardised):
                worst[j.row.id] = i
    found = []
    for name, i in worst.items():
        judged = s.judged[i]
        r: Reliability | None = checked.get(name)
        o = noted.get(name)
        aside = name in s.set_aside
        unchecked = r is not None and not r.checked and not aside
        why = (
            rejected_text(s, name)
            if name in s.rejected
            else check_for(r)
            if unchecked and r is not None
            else ""
        )
        found.append(
            Judgement(
                id=name,
                kind=judged.row.kind,
                of=o.of if o is not None else name.removeprefix("described "),
                stand=judged.row.window if judged.row.window >= 0 else None,
                value="" if o is None or o.value is None else f"{o.value:g} {o.unit or ''}".strip(),
                misfit=misfit_text(judged),
                sigmas=judged.standardised,
                redundancy=judged.redundancy if r is None else r.redundancy,
                smallest="" if r is None or not r.checked else amount(r.smallest, r.unit),
                moves_m=math.nan if r is None else r.effect_m,
                state="set aside" if aside else "unchecked" if unchecked else "fits",
                why=why,
                matters=r is not None and r.matters,
            )
        )
    return tuple(found)


def _stands(outcome: CalibrationOutcome, judgements: Sequence[Judgement]) -> tuple[Stand, ...]:
    s = outcome.solution
    pins = s.state.pins
    found = []
    for w, window in enumerate(s.setup.windows):
        here = [j for j in judgements if j.stand == w]
        kinds = {o.kind for o in s.setup.observations if s.setup.of_window.get(o.place or ("", 0, 0)) == w}
        found.append(
            Stand(
                label=window.label,
                standing=window.standing or "",
                pins=tuple((float(p[0]), float(p[2])) for p in pins[w]),
                kinds=tuple(sorted(kinds)),
                aside=frozenset(_pin(j, s.setup.machine) for j in here if j.state == "set aside"),
                unchecked=frozenset(_pin(j, s.setup.machine) for j in here if j.state == "unchecked"),
            )
        )
    return tuple(found)


def _pin(judgement: Judgement, machine: Machine) -> int:
    """Number of the pin that a judgement is about: at the outer end of a link whose slope is read."""
    if judgement.kind == "height":
        return machine.pins.index(judgement.of)
    ends = {body: i for i, body in enumerate(machine.sections, start=1)}
    return ends.get(judgement.of, len(ends))
