"""A laser receiver's contact: from openings and closings to the crossings that a reference is set by."""

from __future__ import annotations

from typing import Any

import pytest

from tipdatum.grade.receiver import HOLD_S, LONGEST_S, Contact


def passings(*changes: tuple[float, bool], until: float = 20.0) -> list[tuple[float, float]]:
    """What a contact that changes so gives, asked 50 times a second."""
    contact, due, found = Contact(), list(changes), []
    for step in range(round(until * 50)):
        t = step / 50
        while due and due[0][0] <= t:
            contact.told(due[0][1], due.pop(0)[0])
        if (passed := contact.passed(t)) is not None:
            found.append(passed)
    return found


def test_the_middle_of_the_time_on_the_beam_is_the_crossing() -> None:
    assert passings((0.0, False), (2.0, True), (2.4, False)) == [(pytest.approx(2.2), pytest.approx(0.4))]


def test_a_beam_that_comes_round_is_one_crossing_and_the_way_back_another() -> None:
    # Ten turns a second (common practice, no source): the contact drops out between two passes of the beam.
    up = [(2.0 + k / 20, k % 2 == 0) for k in range(10)]
    down = [(6.0, True), (6.2, False)]
    assert passings((0.0, False), *up, *down) == [
        (pytest.approx(2.225), pytest.approx(0.45)),
        (pytest.approx(6.1), pytest.approx(0.2)),
    ]


def test_states_that_are_only_repeated_change_nothing() -> None:
    repeated = [(k / 10, 2.0 <= k / 10 < 2.4) for k in range(60)]
    assert passings(*repeated) == [(pytest.approx(2.2), pytest.approx(0.4))]


def test_one_that_is_closed_when_it_is_first_heard_of_gives_no_crossing() -> None:
    assert passings((1.0, True), (1.3, False)) == []


def test_a_slow_pass_of_the_receivers_contact_is_where_the_beam_is(rig: Any) -> None:
    rig.switch("laser", False)
    for _ in range(2):
        rig.tick(1.0)
        rig.switch("laser", True)
        rig.tick(0.4)
        rig.switch("laser", False)
        rig.tick(HOLD_S + 0.1)
    assert rig.send_now("laser/set", elevation_m=rig.receiver_m, crossings=2).ok


def test_a_receiver_that_rests_on_the_beam_is_told_and_is_no_crossing(rig: Any) -> None:
    rig.switch("laser", False)
    rig.tick(0.5)
    rig.switch("laser", True)
    rig.tick(LONGEST_S + 1.0)
    rig.switch("laser", False)
    rig.tick(HOLD_S + 0.1)
    told = [event.text for event in rig.work.events()]
    assert any("stayed on the beam for 4.0 s" in text for text in told), told
    assert "No crossing of the laser's plane" in rig.send_now("laser/set", elevation_m=26.3, crossings=1).text
