"""Retrofits of machines with more joints: what the adjustment finds, and what it refuses to guess."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum import display
from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.budget import make_budget
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.guide import Guide, measured_step
from tipdatum.calibration.joint_steps import motion_steps, swing_steps, tilt_steps, usual_steps
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.calibration.statistics import determined
from tipdatum.calibration.still import AngleBlock, AnyBlock, Block
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import make_setup, plane_angles
from tipdatum.calibration.walk import Walk
from tipdatum.calibration.walk_steps import WalkSteps
from tipdatum.calibration.walk_view import view_of
from tipdatum.machine.description import parse_machine

SECOND = ("boom.length_m", "second_boom.length_m", "stick.length_m", "bucket.tip_m")


def solve(case: Any) -> Solution:
    chosen = case.book.solving()
    return adjust(make_setup(case.machine, chosen, gather(case.book, [], chosen), case.book.assume))


@pytest.fixture(scope="module")
def two_piece(make_retrofit: Callable[..., Any]) -> Any:
    return make_retrofit(seed=4, second=True)


@pytest.fixture(scope="module")
def solved(two_piece: Any) -> Solution:
    return solve(two_piece)


def test_all_four_lengths_of_a_two_piece_boom_are_found(solved: Solution, two_piece: Any) -> None:
    assert solved.rejected == []
    for name, true in zip(SECOND, two_piece.lengths, strict=True):
        assert abs(solved.value(name) - true) < 3.0 * solved.sigma(name), name
        assert solved.sigma(name) < 0.005, name


def test_the_second_boom_s_mount_is_found(solved: Solution, two_piece: Any) -> None:
    i = solved.setup.sensors.index("second_boom")
    error = Rotation.from_matrix(solved.state.mount[i] @ two_piece.mounts["second_boom"].T).as_rotvec()
    sigma = [solved.sigma(f"sensor.second_boom.mount.{a}") for a in ("roll", "pitch", "yaw")]
    assert np.all(np.abs(error) < 3.0 * np.array(sigma))


def test_stated_sigmas_hold_over_several_two_piece_booms(make_retrofit: Callable[..., Any]) -> None:
    scaled = []
    for seed in range(30, 36):
        case = make_retrofit(seed=seed, second=True)
        solution = solve(case)
        scaled += [
            (solution.value(n) - true) / solution.sigma(n)
            for n, true in zip(SECOND, case.lengths, strict=True)
        ]
    assert 0.3 < float(np.sqrt(np.mean(np.square(scaled)))) < 1.4


def test_a_boom_whose_outer_pin_nobody_looked_at_stays_as_it_was_taped(
    make_retrofit: Callable[..., Any],
) -> None:
    """Identifiability: without slopes and heights at the knee a longer boom is a foot further out."""
    case = make_retrofit(seed=4, second=True)
    kept = tuple(
        o
        for o in case.book.observation
        if o.of not in ("second_boom", "boom_second", "boom") or o.method == "bench"
    )
    case.book = case.book.model_copy(update={"observation": kept})
    seen = {d.name: d.observed for d in determined(solve(case))}
    assert not seen["boom.length_m"]
    assert seen["second_boom.length_m"], "heights of the pins further out tell it"


def test_the_calibrated_description_holds_the_second_boom(solved: Solution, two_piece: Any) -> None:
    machine = calibrated_machine(solved)
    assert machine.second_boom is not None
    assert machine.second_boom.length_m == pytest.approx(solved.value("second_boom.length_m"), abs=1e-5)
    assert make_budget(machine).rms_m < 0.05


def test_errors_move_the_tip_of_a_two_piece_boom_as_its_slopes_say(two_piece: Any) -> None:
    figures = TipFigures(two_piece.machine, nodes=(4, 4, 3))
    sensitivity = TipSensitivity(two_piece.machine)
    J = sensitivity.jacobian(figures.postures)
    for k, name in enumerate(sensitivity.names):
        step = np.zeros(len(sensitivity.names))
        step[k] = 1e-5
        moved = sensitivity.heights(figures.postures, step) - sensitivity.heights(figures.postures, -step)
        np.testing.assert_allclose(J[:, k], moved / 2e-5, atol=2e-5, err_msg=name)


def test_the_guide_asks_for_the_second_boom_where_there_is_one(two_piece: Any, retrofit: Any) -> None:
    asked = {q.of for q in measured_step(1, "any", two_piece.machine).questions}
    assert {"second_boom", "boom_second"} <= asked
    assert "motion-second_boom" in {step.id for step in motion_steps(two_piece.machine)}
    assert not {"second_boom", "boom_second"} & {
        q.of for q in measured_step(1, "any", retrofit.machine).questions
    }
    assert "motion-second_boom" not in {step.id for step in motion_steps(retrofit.machine)}


@pytest.fixture
def with_every_joint(retrofit: Any) -> Any:
    bucket = {**retrofit.machine.bucket[0].model_dump(exclude_none=True), "tilt_axis_m": (0.2, 0.1)}
    told = {"swing": {"body": "boom_swing", "type": "slew"}}
    data = retrofit.machine.model_dump(mode="json", exclude_none=True)
    data |= {"boom_swing": {"pivot_m": [0.15, 0.0, 0.0]}, "bucket": [bucket | {"tilt_axis_deg": 128.0}]}
    return parse_machine(data | {"sensor": data["sensor"] | told}, "every joint")


def test_the_guide_asks_for_swing_and_tilt_where_there_are_any(with_every_joint: Any, retrofit: Any) -> None:
    assert usual_steps(with_every_joint) == ["motions", "measured", "tilt", "swing", "reversal"]
    assert usual_steps(retrofit.machine) == ["motions", "measured", "reversal"]
    assert {"motion-boom_swing", "motion-tilt"} <= {s.id for s in motion_steps(with_every_joint)}
    words = measured_step(1, "any", with_every_joint).words
    assert "boom straight ahead; bucket not tilted" in words
    first, second = swing_steps(with_every_joint)[:2]
    assert ("swing", "boom", 0.0, "deg", 0.3) in first.fixed
    assert [q.kind for q in second.questions] == ["swing", "slew", "encoder"]
    assert {q.of for q in tilt_steps(with_every_joint)[0].questions} == {
        "edge", "stick_bucket", "left", "right",
    }  # fmt: skip
    assert swing_steps(retrofit.machine) == tilt_steps(retrofit.machine) == []


def test_a_tablet_walks_through_swing_and_tilt_in_texts_that_it_has(with_every_joint: Any) -> None:
    steps = WalkSteps(with_every_joint).of(ObservationBook(), "", 0.003)
    folder = Path(display.__file__).parent / "page" / "texts"
    for texts in (json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))):
        assert {a.key for a in steps} <= set(texts)
        assert {f"guide.short.{a.step.swing}" for a in steps if a.step.swing} <= set(texts)
    joints = [a for a in steps if a.chapter == "joints"]
    assert len(joints) == 11
    of = {
        f"{q.kind}.{q.of}"
        for a in joints
        for q in a.step.questions
        if q.kind in ("swing", "slew", "cross_slope")
    }
    assert {f"guide.reads.{name}" for name in of} <= set(texts)


def test_first_postures_of_a_two_piece_boom_have_an_angle_for_each_section(two_piece: Any) -> None:
    asked = [a for a in WalkSteps(two_piece.machine).of(ObservationBook(), "", 0.003) if a.angles]
    assert asked
    angles = np.array(asked[0].angles)[plane_angles(two_piece.machine)]
    assert len(two_piece.machine.straight_chain().pins(angles)) == 5


def test_what_was_seen_of_a_second_boom_that_is_not_there_is_named(retrofit: Any, two_piece: Any) -> None:
    chosen = two_piece.book.solving()
    with pytest.raises(ValueError, match="slope 0 second_boom is of a second boom, and the machine's file"):
        make_setup(retrofit.machine, chosen, gather(two_piece.book, [], chosen), two_piece.book.assume)


COUPLED = {
    "coupler": {"length_m": 0.30, "offset_deg": 130.0},
    "bucket": [{"name": "digging", "tip_m": 1.04, "width_m": 0.6, "bucket_ear_angle_deg": 130.0}],
}
"""In line: the folded tip is as long as coupler and bucket together."""


def test_with_a_coupler_the_bucket_s_own_length_is_found(make_retrofit: Callable[..., Any]) -> None:
    case = make_retrofit(seed=5)
    whole = case.lengths[2]
    coupled = make_retrofit(seed=5, tables=COUPLED)
    # The same truth: what the tape called 1.34 m is 0.30 m of coupler and the rest bucket.
    solution = solve(coupled)
    assert abs(solution.value("bucket.tip_m") + 0.30 - whole) < 3.0 * solution.sigma("bucket.tip_m")


@pytest.mark.parametrize(
    "tables",
    [
        {"boom_swing": {"pivot_m": [0.15, 0.0, 0.0]}},
        {
            "bucket": [
                {
                    "name": "tilting", "tip_m": 1.34, "width_m": 1.5, "tilt_axis_m": [0.15, 0.1],
                    "tilt_axis_deg": 128.0,
                }
            ]
        },
    ],
    ids=["boom swing", "tilting bucket"],
)  # fmt: skip
def test_straight_ahead_and_not_tilted_the_lengths_are_those_of_a_plain_arm(
    make_retrofit: Callable[..., Any], tables: dict[str, Any]
) -> None:
    plain, turned = solve(make_retrofit(seed=6)), solve(make_retrofit(seed=6, tables=tables))
    for name in ("boom.length_m", "stick.length_m", "bucket.tip_m"):
        assert turned.value(name) == pytest.approx(plain.value(name), abs=1e-6)
    nodes = (5, 5, 3)
    flat, beside = (make_budget(calibrated_machine(one), nodes=nodes) for one in (plain, turned))
    # The first of its postures stand straight.
    np.testing.assert_allclose(beside.total[: len(flat.total)], flat.total, rtol=1e-6)
    assert len(beside.total) == 3 * len(flat.total)


def standing_blocks(start: float, seconds: float, tilt: float, told_deg: float | None) -> Iterator[AnyBlock]:
    for i in range(int(seconds * 2)):
        t = start + i / 2
        for sensor in ("upper", "boom", "stick", "bucket"):
            accel = (9.8 * math.sin(tilt), 0.0, 9.8 * math.cos(tilt))
            yield Block(sensor=sensor, t0=t, t1=t + 0.48, n=25, accel_mps2=accel, gyro_radps=(0.0, 0.0, 0.0))
        if told_deg is not None:
            yield AngleBlock(sensor="swing", t0=t, t1=t + 0.48, n=25, angle_deg=told_deg)


@pytest.mark.parametrize(
    ("told_deg", "asked"),
    [(51.5, ["swing", "slew"]), (None, ["swing", "slew", "encoder"])],
    ids=["heard", "silent"],
)
def test_nobody_types_what_an_encoder_has_told(
    with_every_joint: Any, told_deg: float | None, asked: list[str]
) -> None:
    """Of a rest with the boom swung; a silent encoder is asked for as before."""
    step = swing_steps(with_every_joint)[1]
    words = {q.words: q.kind for q in step.questions}
    questions: list[str] = []

    def ask(text: str, _: str) -> str:
        if text not in words:
            return ""
        questions.append(words[text])
        return "50"

    kept: list[ObservationBook] = []
    talk = Guide(
        machine=with_every_joint, book=ObservationBook(), source=standing_blocks(0.0, 8.0, 0.1, told_deg),
        say=lambda _: None, status=lambda _: None, ask=ask, keep=kept.append, standing="S1", power_up="one",
    )  # fmt: skip
    talk.run([step])
    assert questions == asked
    chosen = kept[-1].solving()
    setup = make_setup(with_every_joint, chosen, gather(kept[-1], [], chosen), kept[-1].assume)
    value = 50.0 if told_deg is None else told_deg
    assert [math.degrees(told) for _, _, told, _ in setup.encoded] == pytest.approx([value], abs=1e-6)


def test_a_tablet_asks_for_no_encoder_that_it_hears(with_every_joint: Any) -> None:
    walk = Walk(with_every_joint, ObservationBook(), lambda _: None, "one", "now", "S1")
    walk.answer({"do": "choose", "step": "swing-2"}, 0.0)
    for block in standing_blocks(0.0, 8.0, 0.1, 51.5):
        walk.feed(block, block.t1)
    before = [q["kind"] for q in view_of(walk, 7.98)["step"]["questions"]]
    walk.moved = True
    assert walk.answer({"do": "take"}, 7.98)["ok"]
    shown = view_of(walk, 7.98)["step"]
    assert before == ["swing", "slew", "encoder"]
    assert [q["kind"] for q in shown["questions"]] == ["swing", "slew"]
    assert walk.rest is not None
    assert walk.rest.told_deg == {"swing": 51.5}
