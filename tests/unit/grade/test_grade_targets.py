"""Targets, stations, deviations, bands: what an operator would check with a string line and a staff."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.grade.surfaces import Grade, Level, Profile, ProfilePoint, Tolerance


def tip_place(rig: Any) -> tuple[float, float]:
    """Horizontal distance of the tip from the slew axis in the boom's direction, and to its left."""
    x, y, _ = rig.estimator.stand.world(rig.estimator.machine)
    s = rig.estimator.stand.slew
    return x * math.cos(s) + y * math.sin(s), -x * math.sin(s) + y * math.cos(s)


def test_a_depth_is_measured_from_the_mark(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31)
    assert rig.send("target/level", depth_m=1.16).ok
    assert rig.tick().deviation_m == pytest.approx(1.16)


def test_a_grade_through_the_point_touched_rises_with_the_reach(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="2%", through="here", depth_m=0.0)
    near, _ = tip_place(rig)
    rig.stand(joints=(0.8, -1.2, -0.4))
    far, _ = tip_place(rig)
    report = rig.tick()
    assert report.against.target_m == pytest.approx(10.0 + 0.02 * (far - near))
    assert report.against.station_m == pytest.approx(far - near)


def test_falling_means_falling_away_from_the_machine(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    outcome = rig.send("target/grade", grade="falling 1:100")
    assert "falling 1.00 % away from the machine" in outcome.text
    assert "no slew sensor" in outcome.text
    assert outcome.result["grade_percent"] == pytest.approx(-1.0)


def test_without_a_slew_sensor_a_cross_slope_is_refused(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    outcome = rig.send("target/grade", grade="1%", cross="2%", cross_falls="left")
    assert not outcome.ok
    assert "slew sensor" in outcome.text


def test_with_a_slew_sensor_the_line_stays_where_it_was_laid_out(make_rig: Any) -> None:
    rig = make_rig(slew_sensor=True)
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="5%", cross="2%", cross_falls="left")
    x0, _, _ = rig.estimator.stand.world(rig.machine)
    rig.stand(slew=0.6)
    x, y, _ = rig.estimator.stand.world(rig.machine)
    assert rig.tick().against.target_m == pytest.approx(10.0 + 0.05 * (x - x0) - 0.02 * y, abs=1e-9)


def test_a_sloped_target_after_a_move_says_station_unknown_and_gives_no_level_guess(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="2%")
    rig.send("mark/keep", name="TP1")
    rig.switch("travel", True)
    rig.stand(joints=(0.3, -1.1, -0.5))
    outcome = rig.send("mark/return", name="TP1")
    assert "Station unknown" in outcome.text
    report = rig.tick()
    assert report.datum == "set"
    assert report.elevation_m is not None
    assert report.deviation_m is None
    assert "station unknown" in report.reasons
    rig.send("target/level", elevation_m=9.0)
    assert rig.tick().deviation_m is not None


def test_marks_touched_in_line_carry_the_station(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="2%")
    start, _ = tip_place(rig)
    rig.stand(joints=(0.8, -1.2, -0.4))
    kept = rig.send("mark/keep", name="TP1", in_line=True)
    at_mark, _ = tip_place(rig)
    assert kept.result["station_m"] == pytest.approx(at_mark - start)
    rig.switch("travel", True)
    rig.stand(joints=(0.3, -1.1, -0.5))
    assert "Station carried over" in rig.send("mark/return", name="TP1", in_line=True).text
    assert rig.tick().against.station_m == pytest.approx(at_mark - start)


def test_a_laser_carries_height_but_no_station(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="2%")
    rig.switch("travel", True)
    rig.tick(0.5)
    for _ in range(3):
        rig.beam()
    assert "Station unknown" in rig.send_now("laser/set", elevation_m=12.0).text
    assert "station unknown" in rig.tick().reasons


def test_below_a_laser_plane_needs_neither_reference_nor_station(rig: Any) -> None:
    rig.send("target/below-plane", depth_m=3.0, grade="falling 1%")
    assert rig.tick().reasons == ("laser plane not crossed",)
    rig.beam()
    report = rig.tick()
    stand = rig.estimator.stand
    x, _, z = stand.world(rig.machine, rig.machine.sensor["laser"].position_m, body=2)
    tx, _, tz = stand.world(rig.machine)
    assert report.datum == "none"
    assert report.deviation_m == pytest.approx(tz - (z - 0.01 * (tx - x) - 3.0), abs=1e-9)


def test_a_machine_that_may_have_settled_has_to_meet_the_plane_again(rig: Any) -> None:
    rig.send("target/below-plane", depth_m=3.0)
    rig.beam()
    assert rig.tick().deviation_m is not None
    rig.work.doubt(rig.t, "the machine's lean changed")
    report = rig.tick()
    assert report.deviation_m is None
    assert "laser plane not crossed" in report.reasons
    rig.beam()
    assert rig.tick().deviation_m is not None


def test_a_doubtful_reference_keeps_the_elevation_and_takes_the_deviation(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/level", elevation_m=9.0)
    rig.switch("travel", True)
    report = rig.tick()
    assert (report.datum, report.deviation_m) == ("doubtful", None)
    assert report.elevation_m == pytest.approx(10.0)
    assert rig.send("datum/confirm").ok
    assert rig.tick().deviation_m == pytest.approx(1.0)


def test_layers_raise_the_target(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/level", elevation_m=9.0)
    rig.send("target/layers", layers=[{"name": "bedding", "up_m": 0.15}])
    rig.send("target/layer", name="bedding")
    assert rig.tick().deviation_m == pytest.approx(0.85)
    assert "no layer" in rig.send("target/layer", name="gravel").text


def test_a_pipe_gives_the_level_to_dig_to_and_its_bedding_as_a_layer(rig: Any) -> None:
    rig.send("datum/set", elevation_m=25.0)
    pipe = {"invert_m": 22.0, "end_invert_m": 21.7, "length_m": 30.0}
    outcome = rig.send("target/pipe", **pipe, wall_m=0.012, bedding_m=0.1, overdig_m=0.02)
    assert outcome.result["bottom_m"] == pytest.approx(22.0 - 0.132)
    assert outcome.result["grade_percent"] == pytest.approx(-1.0)
    rig.send("target/layer", name="bedding")
    assert rig.tick().against.target_m == pytest.approx(22.0 - 0.012)


def test_a_profile_has_steps_and_ends(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    table = "station_m;elevation_m\n-1;9.5\n0.5;9.5\n0.5;9.0\n1;9.0\n"
    assert rig.send("target/profile", table=table).ok
    assert rig.tick().deviation_m == pytest.approx(0.5)
    rig.stand(joints=(0.9, -0.7, -0.2))
    assert rig.tick().reasons == ("outside the profile",)
    back = rig.send("target/profile", points=[[0, 1], [-1, 1]])
    assert not back.ok
    assert "go back in row 2" in back.text


def test_the_lowest_point_governs_and_is_named(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/level", elevation_m=9.0)
    rig.stand(roll=0.1)
    against = rig.tick().against
    assert against.governing == ("left" if against.left_m < against.right_m else "right")
    assert against.governing_m == pytest.approx(min(against.left_m, against.right_m))
    rig.send("bucket/choose", name="ditching 1400")
    rig.stand(roll=0.0, joints=(0.4, -1.0, -2.6))
    assert rig.tick().against.governing == "heel"


def test_the_floor_is_compared_with_the_target(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="falling 10%")
    theta = math.degrees(sum(rig.estimator.stand.joints))
    expected = (theta - 20.0 + math.degrees(math.atan(0.1)) + 90.0) % 180.0 - 90.0
    assert rig.tick().against.floor_deg == pytest.approx(expected)


def test_the_target_is_drawn_ahead_of_and_behind_the_tip(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/grade", grade="2%")
    report = rig.tick()
    ahead = report.against.ahead.points()
    assert ahead[0][0] < report.reach_m < ahead[-1][0]
    slope = (ahead[-1][1] - ahead[0][1]) / (ahead[-1][0] - ahead[0][0])
    assert slope == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("deviation", "sigma", "verdict"),
    [
        (0.0, 0.004, "on grade"),
        (-0.024, 0.004, "on grade"),
        (0.001, 0.004, "above"),
        (-0.026, 0.004, "below"),
        (-0.012, 0.013, "cannot judge"),
    ],
)
def test_a_lopsided_band_and_a_sigma_too_wide_for_it(deviation: float, sigma: float, verdict: str) -> None:
    assert Tolerance(above_m=0.0, below_m=0.025).judge(deviation, sigma) == verdict


@given(st.floats(-0.2, 0.2), st.floats(0, 0.1), st.floats(0.001, 0.1), st.floats(0.0001, 0.2))
def test_never_on_grade_where_two_sigma_are_wider_than_the_band(
    deviation: float, above: float, below: float, sigma: float
) -> None:
    band = Tolerance(above_m=above, below_m=below)
    if 2.0 * sigma > above + below:
        assert band.judge(deviation, sigma) == "cannot judge"


@given(st.floats(-0.9, 0.9), st.floats(-0.5, 0.5), st.floats(-5, 5), st.floats(-5, 5), st.floats(-3, 3))
def test_perpendicular_is_the_shortest_way_to_the_plane(
    grade: float, cross: float, station: float, offset: float, above: float
) -> None:
    plane = Grade(elevation_m=1.0, grade=grade, cross=cross)
    elevation = plane.elevation(station, offset)
    assert elevation is not None
    perpendicular = plane.perpendicular(station, offset, elevation + above)
    assert perpendicular is not None
    normal = (-grade, -cross, 1.0)
    length = math.sqrt(sum(n * n for n in normal))
    foot = [
        p - perpendicular * n / length
        for p, n in zip((station, offset, elevation + above), normal, strict=True)
    ]
    assert plane.elevation(foot[0], foot[1]) == pytest.approx(foot[2], abs=1e-9)


def test_on_a_profile_the_nearest_piece_counts() -> None:
    ditch = Profile(
        points=[ProfilePoint(station_m=s, elevation_m=z) for s, z in ((0, 1.0), (1, 0.0), (2, 1.0))]
    )
    assert ditch.perpendicular(0.5, 0.0, 1.5) == pytest.approx(math.sqrt(0.5))
    assert ditch.perpendicular(1.0, 0.0, -0.2) == pytest.approx(-0.2)
    assert Level(elevation_m=2.0).perpendicular(0.0, 0.0, 2.5) == pytest.approx(0.5)
