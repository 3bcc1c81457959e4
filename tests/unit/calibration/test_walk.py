"""A calibration led from a screen: one thing at a time, nothing called kept that is not, no old arm."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from tipdatum.bus.guide_messages import GuideView
from tipdatum.calibration.candidates import Candidate, touching
from tipdatum.calibration.following import FEWEST
from tipdatum.calibration.foresight import Foreseen
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.plan import Known
from tipdatum.calibration.still import Block
from tipdatum.calibration.walk import Walk
from tipdatum.calibration.walk_view import view_of
from tipdatum.display.texts import speech
from tipdatum.errors import ConfigError

SENSORS = ("upper", "boom", "stick", "bucket")


FACES = ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1), (1, 1, 0), (0, 1, 1))
"""Six faces and two edges of a sensor, each up once."""


class Person:
    """Somebody at the machine: the clock is that of the readings."""

    def __init__(self, machine: Any, book: ObservationBook | None = None, standing: str = "S1") -> None:
        self.kept: list[ObservationBook] = []
        self.full = False
        self.t, self.n = 0.0, 0
        self.walk = Walk(machine, book or ObservationBook(), self.keep, "one", "now", standing)

    def keep(self, book: ObservationBook) -> None:
        if self.full:
            raise ConfigError("observations.toml", "", "no space left on device", "a place to write to")
        self.kept.append(book)

    def blocks(self, seconds: float, tilt: float, rate: float = 0.0) -> Iterator[Block]:
        for i in range(int(seconds * 2)):
            for sensor in SENSORS:
                t = self.t + i / 2
                at = tilt + rate * i / 2
                accel = (9.8 * np.sin(at), 0.0, 9.8 * np.cos(at))
                yield Block(
                    sensor=sensor, t0=t, t1=t + 0.48, n=25, accel_mps2=accel, gyro_radps=(0.0, -rate, 0.0)
                )  # fmt: skip
        self.t += seconds

    def stands(self, tilt: float, seconds: float = 8.0) -> None:
        for block in self.blocks(seconds, tilt):
            self.walk.feed(block, block.t1)

    def moves(self, seconds: float, rate: float) -> None:
        for block in self.blocks(seconds, 0.0, rate):
            self.walk.feed(block, block.t1)

    def does(self, what: str, **more: Any) -> dict[str, Any]:
        self.n += 1
        return self.walk.answer({"do": what, "request_id": f"r{self.n}", **more}, self.t)

    def sees(self) -> dict[str, Any]:
        view = view_of(self.walk, self.t)
        GuideView.model_validate(view)  # what is published is what the contract says
        return view


@pytest.fixture
def person(retrofit: Any) -> Person:
    return Person(retrofit.machine)


READINGS = {"slope boom": "25,6", "slope stick": "−8.7", "height tip": "1.62", "height boom_stick": ""}


def test_the_machine_is_placed_before_anything_else(retrofit: Any) -> None:
    person = Person(retrofit.machine, standing="")
    assert person.sees()["stage"] == "place"
    assert person.does("place", standing=" ")["code"] == "guide.no-standing"
    assert person.does("place", standing="S1")["ok"]
    assert person.sees()["step"]["id"] == "motion-slew"


def test_a_motion_is_kept_when_the_machine_rests_again(person: Person) -> None:
    person.does("choose", step="motion-boom")
    person.stands(0.0)
    assert person.sees()["stage"] == "ready"
    assert person.does("start")["ok"]
    person.moves(4.0, 0.2)
    assert person.sees()["stage"] == "swing"
    person.stands(0.8)
    assert [o.id for o in person.kept[-1].observation] == ["motion-boom"]
    assert person.kept[-1].swing[0].sensor["boom"].axis == pytest.approx((0.0, -1.0, 0.0), abs=1e-6)


def test_a_motion_that_has_not_begun_is_not_over(person: Person) -> None:
    person.stands(0.1)
    person.does("start")
    person.stands(0.1, 3.0)
    assert person.sees()["stage"] == "swing"


def test_a_motion_that_hardly_turns_is_not_kept(person: Person) -> None:
    person.stands(0.0)
    person.does("start")
    person.moves(2.0, 0.01)
    person.stands(0.3)
    assert person.kept == []
    assert person.sees()["note"]["code"] == "guide.hardly-turned"


def test_a_posture_is_taken_at_rest_and_its_readings_are_kept(person: Person) -> None:
    person.does("choose", step="measured-1")
    assert person.does("take")["code"] == "guide.not-still"
    person.stands(0.1)
    assert person.does("take")["ok"]
    assert person.sees()["stage"] == "readings"
    assert person.does("readings", values=READINGS)["ok"]
    book = person.kept[-1]
    assert {o.of: o.value for o in book.observation if o.kind == "slope"} == {"boom": 25.6, "stick": -8.7}
    assert {o.standing for o in book.observation} == {"S1"}
    assert [r.id for r in book.rest] == ["rest measured-1"]


@pytest.mark.parametrize("typed", ["about 25", "95", "nan", "1e9"])
def test_what_is_no_reading_is_refused_and_the_rest_stays(person: Person, typed: str) -> None:
    person.does("choose", step="measured-1")
    person.stands(0.1)
    person.does("take")
    assert person.does("readings", values={"slope boom": typed})["code"] == "guide.no-number"
    assert person.kept == []
    assert person.does("readings", values=READINGS)["ok"]


def test_the_same_posture_is_not_taken_twice(person: Person) -> None:
    person.does("choose", step="reversal-0")
    person.stands(0.1)
    assert person.does("take")["ok"]
    assert person.sees()["stage"] == "move"
    assert person.does("take")["code"] == "guide.not-moved"
    person.moves(3.0, 0.2)
    person.stands(0.4)
    assert person.sees()["stage"] == "ready"


def test_a_full_disk_is_told_and_nothing_counts_as_kept(person: Person) -> None:
    person.does("choose", step="measured-1")
    person.stands(0.1)
    person.does("take")
    person.full = True
    reply = person.does("readings", values=READINGS)
    assert (reply["ok"], reply["code"]) == (False, "guide.not-kept")
    assert person.sees()["kept"]["observations"] == 0
    assert person.sees()["stage"] == "readings"
    person.full = False
    assert person.does("readings", values=READINGS)["ok"]


def test_a_repeated_request_is_carried_out_once(person: Person) -> None:
    person.does("choose", step="measured-1")
    person.stands(0.1)
    request = {"do": "take", "request_id": "same"}
    assert person.walk.answer(request, person.t) == person.walk.answer(request, person.t)
    sent = {"do": "readings", "request_id": "again", "values": READINGS}
    assert person.walk.answer(sent, person.t)["ok"]
    assert person.walk.answer(sent, person.t)["ok"]
    assert len(person.kept) == 1


def test_silent_sensors_are_named_and_no_old_arm_is_shown(person: Person) -> None:
    person.stands(0.1)
    assert person.sees()["pins"] is not None
    person.t += 10.0
    seen = person.sees()
    assert (seen["stage"], seen["silent"]) == ("silent", list(SENSORS))
    assert (seen["pins"], seen["angles"]) == (None, None)
    assert person.does("start")["code"] == "guide.not-still"


def test_what_is_taken_back_stays_in_the_book_unused_and_is_asked_for_again(person: Person) -> None:
    person.does("choose", step="measured-1")
    person.stands(0.1)
    person.does("take")
    person.does("readings", values=READINGS)
    assert person.does("back", step="measured-1")["ok"]
    book = person.kept[-1]
    assert {o.use for o in book.observation} == {False}
    assert all("(taken back 1)" in o.id for o in book.observation)
    ObservationBook.model_validate(book.model_dump())
    assert person.sees()["step"]["id"] == "measured-1"


def test_moved_tracks_need_a_standing_of_their_own(person: Person) -> None:
    person.does("moved")
    assert person.sees()["stage"] == "place"
    person.does("place", standing="S2")
    person.does("choose", step="reversal-0")
    person.stands(0.1)
    person.does("take")
    assert person.kept[-1].observation[0].standing == "S2"


def test_the_posture_that_helps_most_is_asked_for_as_a_level_shows_it(person: Person) -> None:
    angles = tuple(np.radians([0.0, 0.0, 20.0, -70.0, -150.0, 0.0, 0.0]))
    best = Candidate("measure: there", angles, "S1", ())
    person.walk.planned(person.walk.book, Foreseen(Known(0.004, 0.002), (best,)))
    person.does("choose", step="measured-3")
    step = person.sees()["step"]
    assert step["key"] == "guide.slopes"
    assert (step["values"]["boom"], step["values"]["bucket"], step["values"]["curled"]) == (20, -30, True)


def measured(person: Person) -> int:
    chapters = {c["name"]: c["steps"] for c in person.sees()["chapters"]}
    return len(chapters["postures"])


def take_all(person: Person) -> None:
    for n in range(1, FEWEST + 1):
        person.does("choose", step=f"measured-{n}")
        person.stands(0.05 * n)
        person.does("take")
        person.does("readings", values=READINGS)


def test_postures_are_asked_for_until_the_tip_is_known_well_enough(person: Person) -> None:
    take_all(person)
    known = Known(0.0014, 0.001)
    person.walk.planned(person.walk.book, Foreseen(known, ()))
    assert measured(person) == FEWEST
    # The same figure, when the tip moved twice as far as was predicted, is not the same knowledge.
    person.walk.planned(person.walk.book, Foreseen(known, (), bold=2.0))
    assert measured(person) == FEWEST + 1
    # Far from the goal, but nothing that could be measured here brings it nearer.
    person.walk.planned(person.walk.book, Foreseen(Known(0.004, 0.003), (), gain=0.01))
    assert measured(person) == FEWEST


def test_whoever_has_enough_finishes_and_can_still_go_on(person: Person) -> None:
    person.does("choose", step="measured-1")
    person.stands(0.1)
    person.does("take")
    person.does("readings", values=READINGS)
    assert person.sees()["stage"] != "end"
    assert person.does("finish")["ok"]
    person.walk.planned(person.walk.book, Foreseen(Known(0.004, 0.002), ()))
    assert person.sees()["stage"] == "end"
    assert person.walk.wants_verdict()
    assert person.does("choose", step="measured-2")["ok"]
    assert person.sees()["step"]["id"] == "measured-2"


def test_a_touch_of_a_mark_is_asked_for_where_it_helps_more_than_a_posture(person: Person) -> None:
    person.does("mark", name="A")
    touch = touching("tip on mark A: there", (0.0,) * 7, person.walk.standing, "A")
    person.walk.planned(person.walk.book, Foreseen(Known(0.004, 0.002), (touch,)))
    person.does("choose", step="motion-bucket")
    person.does("skip")
    assert person.sees()["step"]["id"] == "touch-A-1"
    assert person.sees()["wanted"] is not None


def test_it_goes_on_where_it_stopped(person: Person, retrofit: Any) -> None:
    person.does("choose", step="motion-slew")
    person.does("skip")
    person.does("choose", step="measured-1")
    person.stands(0.1)
    person.does("take")
    person.does("readings", values=READINGS)
    again = Person(retrofit.machine, person.kept[-1])
    states = {s["id"]: s["state"] for c in again.sees()["chapters"] for s in c["steps"]}
    assert states["measured-1"] == "done"
    assert sum(name.startswith("measured") for name in states) == FEWEST


def test_nothing_is_asked_for_that_does_not_exist(person: Person) -> None:
    for request in ({"do": "dance"}, {"do": "choose", "step": "x"}, {"do": "mark", "name": "a b"}, {}):
        assert not person.walk.answer(request, 0.0)["ok"]
    assert person.does("finish")["code"] == "guide.nothing"


def lies(person: Person, sensor: str, up: tuple[int, int, int], seconds: float = 8.0) -> None:
    """A loose sensor lies still; what the others do does not matter."""
    accel = 9.8 * np.array(up) / np.linalg.norm(up)
    for i in range(int(seconds * 2)):
        t = person.t + i / 2
        block = Block(sensor=sensor, t0=t, t1=t + 0.48, n=25, accel_mps2=tuple(accel), gyro_radps=(0, 0, 0))
        person.walk.feed(block, block.t1)
    person.t += seconds


def test_loose_sensors_are_laid_on_every_face_before_the_machine_is_placed(retrofit: Any) -> None:
    person = Person(retrofit.machine, standing="")
    assert person.does("bench")["ok"]
    for sensor in SENSORS:
        for n, face in enumerate(FACES, 1):
            lies(person, sensor, face)
            view = person.sees()
            assert (view["step"]["id"], view["stage"]) == (f"bench-{sensor}-{n}", "ready")
            assert view["lies"] == pytest.approx(np.array(face) / np.linalg.norm(face), abs=1e-3)
            assert view["pins"] is None
            assert person.does("take")["ok"]
    assert person.sees()["stage"] == "place"
    book = person.walk.book
    assert [o.kind for o in book.observation] == ["specific_force"] * 32
    assert all(o.standing is None for o in book.observation)
    assert [list(r.sensor) for r in book.rest] == [[o.of.partition(":")[0]] for o in book.observation]
    person.does("place", standing="S1")
    assert person.sees()["step"]["id"] == "motion-slew"


def test_a_face_that_lay_up_before_is_refused(retrofit: Any) -> None:
    person = Person(retrofit.machine, standing="")
    person.does("bench")
    lies(person, "upper", FACES[0])
    person.does("take")
    lies(person, "upper", (5, 1, 2), 1.0)
    lies(person, "upper", (9, 1, 0))
    assert person.does("take")["code"] == "guide.same-face"
    lies(person, "upper", FACES[1])
    assert person.does("take")["ok"]


def test_whoever_leaves_the_bench_half_way_can_come_back_to_it(retrofit: Any) -> None:
    person = Person(retrofit.machine, standing="")
    person.does("bench")
    lies(person, "upper", FACES[0])
    person.does("take")
    person.does("moved")
    assert person.sees()["stage"] == "place"
    person.does("place", standing="S1")
    assert person.sees()["step"]["id"] == "motion-slew"
    person.does("choose", step="bench-boom-3")
    assert person.sees()["step"]["id"] == "bench-boom-3"
    lies(person, "boom", FACES[2])
    assert person.does("take")["ok"]
    # Sensors that were off the machine stand nowhere until that is said.
    person.does("moved")
    assert person.sees()["stage"] == "place"


def test_rests_on_the_bench_are_another_power_up_than_those_on_the_machine(retrofit: Any) -> None:
    person = Person(retrofit.machine, standing="")
    person.does("bench")
    lies(person, "upper", FACES[0])
    person.does("take")
    assert person.walk.book.rest[0].power_up != person.walk.power_up


def test_a_two_piece_boom_is_shown_with_all_its_pins_and_in_words(make_retrofit: Any) -> None:
    texts = speech("de").texts
    person = Person(make_retrofit(seed=4, second=True).machine)
    folded = set()
    for n in range(1, 7):
        person.does("choose", step=f"measured-{n}")
        view = person.sees()
        assert len(view["wanted"]) == 5
        folded.add(view["step"]["values"]["second"])
        for q in view["step"]["questions"]:
            assert f"guide.{q['kind']}.{q['of']}" in texts
    assert folded == {"folded", "stretched"}
    person.does("choose", step="motion-second_boom")
    assert person.sees()["step"]["key"] in texts
