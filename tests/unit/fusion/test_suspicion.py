"""When a suspicion ends, and whose a contradiction is: by blocks made by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tipdatum.fusion.chain.consistency import Alarm, Axis, Consistency, Look
from tipdatum.fusion.chain.evidence import shares, suspect
from tipdatum.fusion.chain.suspicion import Suspicion
from tipdatum.kinematics.frames import Array

SPAN, G = 0.15, 9.8
NAMES = ("upper", "boom", "stick")


def block(t: float, rate: float = 0.0, tilt: float = 0.3, shake: float = 0.1, slow: float = 0.0) -> Look:
    """Three sensors, their bodies at `tilt`, rad, turning at `rate`, rad/s, with nothing unexpected."""
    force = np.tile([G * math.sin(tilt), 0.0, G * math.cos(tilt)], (3, 1))
    return Look(
        t=t, span=SPAN, innovation=np.zeros((3, 3)), shake=np.full(3, shake**2), force=force,
        rate=np.tile([0.0, -rate, 0.0], (3, 1)), roll=np.zeros(3), plane=np.zeros(3),
        theta=np.full(3, tilt), gyro=np.ones(3, dtype=bool), active=np.ones(3, dtype=bool),
        fastest=abs(rate), unseen=np.full(3, slow), unseen_rate=0.0,
        carried=np.zeros(3),
    )  # fmt: skip


def ways(_theta: Array) -> Array:
    """Level bodies 2 m long, each sensor 1 m along its own: turning a body lifts what hangs on it."""
    lift = np.array([[0.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 2.0, 1.0]])
    J = np.zeros((3, 3, 3))
    J[:, 2] = lift
    return J


@pytest.fixture
def doubted() -> Suspicion:
    found = Suspicion()
    assert found.begin(10.0, 1, "words", "plane")
    return found


def test_rest_ends_no_suspicion_but_lets_figures_stand(doubted: Suspicion) -> None:
    assert not any(doubted.agree(block(10.0 + k * SPAN), 0.0) for k in range(2000))
    assert doubted.sensor == 1
    assert doubted.stands


def test_agreement_while_the_body_turns_ends_it(doubted: Suspicion) -> None:
    swing = [block(k * SPAN, rate=0.2, tilt=0.3 + 0.3 * math.sin(k / 6)) for k in range(60)]
    ends = next(look.t for look in swing if doubted.agree(look, 0.0))
    assert 3.8 <= ends <= 5.0
    assert doubted.sensor is None


def test_motion_that_does_not_turn_the_body_takes_longer(doubted: Suspicion) -> None:
    held = (block(k * SPAN, rate=0.2) for k in range(1000))
    assert next(look.t for look in held if doubted.agree(look, 0.0)) > 30.0


def test_what_does_not_agree_begins_the_time_anew_and_the_second_time_takes_longer(
    doubted: Suspicion,
) -> None:
    def time_until_it_ends() -> float:
        swing = (block(k * SPAN, rate=0.2, tilt=0.3 + 0.3 * math.sin(k / 6)) for k in range(1000))
        return next(look.t for look in swing if doubted.agree(look, 0.0))

    first = time_until_it_ends()
    doubted.begin(20.0, 1, "words", "plane")
    assert time_until_it_ends() > 2.5 * first


def test_what_was_suspected_while_a_sensor_became_too_slow_to_judge_is_dropped(doubted: Suspicion) -> None:
    assert doubted.go_on_unjudged(15.0, SPAN, 0.2)
    assert doubted.sensor is None


def test_an_older_suspicion_stays_while_nobody_can_be_judged_and_rest_lets_figures_stand(
    doubted: Suspicion,
) -> None:
    assert not any(doubted.go_on_unjudged(60.0 + k * SPAN, SPAN, 0.0) for k in range(20))
    assert doubted.stands
    assert not doubted.go_on_unjudged(70.0, SPAN, 0.2)
    assert doubted.sensor == 1
    assert not doubted.stands


@pytest.mark.parametrize(("body", "about"), [(1, "plane"), (2, "plane")])
def test_the_gyro_that_moves_all_that_hangs_on_its_body_is_the_one(body: int, about: Axis) -> None:
    looks = []
    for k in range(10):
        # A rate that is missing and changes by 0.2 rad/s from block to block.
        innovation = ways(np.zeros(3))[:, :, body] * 0.2 * (-1.0) ** k
        looks.append(replace(block(k * SPAN, rate=0.3), innovation=innovation))
    by_gyro, _, _ = shares(looks, ways)
    assert by_gyro[body] == pytest.approx(1.0)
    found = suspect(Alarm(1.5, 0, (0, 0.0)), looks, NAMES, G, ways)
    assert (found.sensor, found.about) == (body, about)


def test_nothing_is_said_of_the_gyro_of_a_sensor_that_has_none() -> None:
    """An inclinometer between others: its body may turn unseen, but no gyro of it tells that."""
    looks = []
    for k in range(10):
        innovation = ways(np.zeros(3))[:, :, 1] * 0.2 * (-1.0) ** k
        rate = np.tile([0.0, -0.3, 0.0], (3, 1))
        rate[1] = 0.0
        one = replace(block(k * SPAN, rate=0.3), innovation=innovation, rate=rate)
        looks.append(replace(one, gyro=np.array([True, False, True])))
    found = suspect(Alarm(1.5, 0, (0, 0.0)), looks, NAMES, G, ways)
    assert found.sensor == 1
    assert "gyro" not in found.text


def test_an_accelerometer_that_points_elsewhere_is_found_by_its_own_innovation() -> None:
    innovation = np.zeros((3, 3))
    innovation[1, 1] = 0.1
    looks = [replace(block(k * SPAN, rate=0.3), innovation=innovation) for k in range(10)]
    found = suspect(Alarm(1.5, 0, (0, 0.0)), looks, NAMES, G, ways)
    assert found.sensor == 1
    assert "knocked" in found.text


def test_a_machine_that_travels_and_brakes_contradicts_nobody_but_one_sensor_alone_does() -> None:
    braking, alone = np.zeros((3, 3)), np.zeros((3, 3))
    braking[:, 0] = alone[1, 0] = 0.3 * SPAN

    def alarmed(innovation: Array) -> bool:
        followed = Consistency(3)
        looks = [replace(block(k * SPAN), innovation=innovation) for k in range(20)]
        return any(followed.look(look) for look in looks)

    assert not alarmed(braking)
    assert alarmed(alone)
