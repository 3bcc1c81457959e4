"""Which posture next: new directions before old ones, and never worse than before."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pytest

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.candidates import measuring, suggestions
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.following import TipMove, boldness, follow
from tipdatum.calibration.foresight import Foresight
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.plan import rank
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.unknowns import make_setup


def solution_of(retrofit: Any, postures: int) -> Solution:
    rests = {f"rest {i}" for i in range(postures)}
    chosen = [o for o in retrofit.book.solving() if o.kind == "specific_force" or o.rest in rests]
    return adjust(
        make_setup(retrofit.machine, chosen, gather(retrofit.book, [], chosen), retrofit.book.assume)
    )


@pytest.fixture(scope="module")
def two(retrofit: Any) -> Solution:
    return solution_of(retrofit, 2)


def test_every_posture_helps_or_at_least_does_no_harm(two: Solution) -> None:
    for r in rank(two, suggestions(two)):
        assert r.after.worst_m <= r.before.worst_m + 1e-9


def test_a_posture_already_measured_is_worth_less_than_the_best_new_one(two: Solution) -> None:
    again = measuring("again", tuple(float(v) for v in two.state.angles[0]), "S", two.setup.machine)
    ranked = rank(two, [again, *suggestions(two)])
    assert ranked[0].candidate.label != "again"


def test_the_prediction_is_what_the_measurement_brings(retrofit: Any, two: Solution) -> None:
    """Predicted sigma after a third posture against that of an adjustment which has it."""
    three = solution_of(retrofit, 3)
    third = measuring("third", tuple(float(v) for v in three.state.angles[2]), "S", retrofit.machine)
    predicted = rank(two, [third])[0].after.worst_m
    reached = rank(three, [third])[0].before.worst_m
    assert predicted == pytest.approx(reached, rel=0.25)


def test_the_guide_takes_recorded_postures_until_the_next_gains_little(retrofit: Any) -> None:
    evidence = gather(retrofit.book, [], retrofit.book.solving())
    result = follow(retrofit.machine, retrofit.book, evidence)
    assert 0 < result.postures <= result.available
    assert result.readings <= sum(o.rest is not None for o in retrofit.book.solving())
    assert result.order[-1].after.worst_m < 0.02 < result.order[0].before.worst_m


def test_what_is_asked_for_can_be_measured_on_a_flat_yard_and_is_said_as_a_level_shows_it(
    two: Solution,
) -> None:
    machine = calibrated_machine(two)
    measured = [c for c in suggestions(two) if c.label.startswith("measure")]
    assert measured
    for candidate in measured:
        q = np.array(candidate.angles[:5])
        assert float(machine.chain().tip(q)[2]) > 0.0
        slopes = [round(math.degrees(math.asin(math.sin(a)))) for a in q[2:]]
        said = [int(v) for v in re.findall(r"([+-]\d+)°", candidate.label)]
        assert said == pytest.approx(slopes, abs=1)


def book_of(retrofit: Any, postures: int) -> ObservationBook:
    rests = {f"rest {i}" for i in range(postures)}
    kept = tuple(o for o in retrofit.book.solving() if o.kind == "specific_force" or o.rest in rests)
    return retrofit.book.model_copy(update={"observation": kept})


def test_foresight_knows_more_with_every_posture_and_widens_what_was_predicted_too_boldly(
    retrofit: Any,
) -> None:
    foresight = Foresight(retrofit.machine, [])
    two, three = (foresight.after(book_of(retrofit, n)) for n in (2, 3))
    assert two is not None
    assert three is not None
    assert three.known.worst_m < two.known.worst_m
    # A fourth posture whose readings are all wrong alike moves the tip by far more than was predicted.
    wrong = book_of(retrofit, 4)
    spoilt = tuple(
        o.model_copy(update={"value": (o.value or 0.0) + (1.0 if o.unit == "deg" else 0.05)})
        if o.rest == "rest 3"
        else o
        for o in wrong.observation
    )
    misled = foresight.after(wrong.model_copy(update={"observation": spoilt}))
    again = foresight.after(book_of(retrofit, 3))
    assert misled is not None
    assert again is not None
    assert misled.bold >= three.bold
    # What was taken back no longer speaks.
    assert again.bold == 1.0


def test_what_is_asked_for_next_belongs_to_the_power_up_of_the_readings_before(retrofit: Any) -> None:
    foreseen = Foresight(retrofit.machine, []).after(book_of(retrofit, 2))
    assert foreseen is not None
    last = retrofit.book.rest[-1].power_up
    assert {c.power_up for c in foreseen.candidates} == {last or "live"}


def test_readings_that_were_to_move_nothing_cannot_have_been_predicted_too_boldly() -> None:
    """As in a capture that begins with a swung boom, of which nothing shows in the tip yet."""
    assert boldness([TipMove(0.0, 0.0)]) == 1.0
    assert boldness([TipMove(0.004, 0.0)]) == 1.0
    assert boldness([TipMove(0.004, 0.0), TipMove(0.002, 0.001)]) > 1.0
