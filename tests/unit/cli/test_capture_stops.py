"""How many measured postures the terminal's guide asks for: six at least, then until it is enough."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tipdatum.calibration.following import FEWEST, GOAL_M
from tipdatum.calibration.foresight import MOST_MEASURED, Foreseen
from tipdatum.calibration.guide import Step, is_done
from tipdatum.calibration.observations import Observation, ObservationBook
from tipdatum.calibration.plan import Known
from tipdatum.cli import capture
from tipdatum.machine.description import Machine, parse_machine

DESCRIPTION = {
    "name": "Invented digger",
    "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.6},
    "stick": {"length_m": 2.5},
    "bucket": [{"name": "digging", "tip_m": 1.3, "width_m": 0.6}],
    "sensor": {"boom": {"body": "boom"}},
}


@dataclass
class Person:
    """Takes every step at once; what the guide says and asks for is kept."""

    machine: Machine = field(default_factory=lambda: parse_machine(DESCRIPTION, "test"))
    book: ObservationBook = field(default_factory=ObservationBook)
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        self.said.append(text)

    def done(self, step: Step) -> bool:
        return is_done(self.book, step)

    def run(self, steps: Sequence[Step]) -> None:
        for step in steps:
            self.asked.append(step.id)
            length = Observation(
                id=f"{step.id} length boom", kind="length", of="boom", value=4.6, unit="m", sigma=0.005
            )
            self.book = self.book.model_copy(update={"observation": (*self.book.observation, length)})


Lead = Callable[..., Person]


@pytest.fixture
def led(monkeypatch: pytest.MonkeyPatch) -> Lead:
    """Leads a person whose tip is known as a list says, posture by posture."""

    def lead(sigmas_m: Sequence[float], gain: float = 1.0, person: Person | None = None) -> Person:
        class Told:
            def __init__(self, machine: Machine, folders: list[Path]) -> None:
                pass

            def after(self, book: ObservationBook) -> Foreseen:
                worst = sigmas_m[min(len(book.observation), len(sigmas_m)) - 1]
                return Foreseen(Known(worst, worst / 2.0), (), gain=gain)

        monkeypatch.setattr(capture, "Foresight", Told)
        person = person or Person()
        capture._measured(person, [])  # type: ignore[arg-type]
        return person

    return lead


def test_it_ends_with_the_posture_that_reaches_the_goal_but_not_before_six(
    led: Lead,
) -> None:
    falling = [0.004] * 7 + [GOAL_M]
    assert len(led(falling).asked) == 8
    assert len(led([GOAL_M]).asked) == FEWEST


def test_it_ends_where_another_posture_would_hardly_help_and_says_so(led: Lead) -> None:
    person = led([0.004], gain=0.01)
    assert len(person.asked) == FEWEST
    assert "hardly help" in person.said[-1]


def test_it_asks_for_no_more_than_twelve_and_goes_on_where_it_stopped(led: Lead) -> None:
    person = led([0.004])
    assert len(person.asked) == MOST_MEASURED
    assert led([GOAL_M], person=person).asked == person.asked
