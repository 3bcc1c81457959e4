"""Checks with the boom swung and the bucket tilted, on a machine of 4×4 matrices that shares no code."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from matrix_machine import Matrix, moved, turned
from scipy.spatial.transform import Rotation

from tipdatum.calibration.observations import Observation, ObservationBook, RestEntry, SensorRest
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.verification import Check, Verification, check_of, suspects, verify
from tipdatum.machine.description import Machine, parse_machine

G = 9.80665
FOOT, PIVOT, BOOM, STICK, TIP, HALF = (0.81, 0.05, 0.76), (0.61, 0.05, 0.0), 2.03, 1.20, 0.69, 0.5
AXIS, AXIS_DEG = (0.10, 0.12), 128.5
ZERO_DEG = 7.0
"""What the encoder tells with the boom straight ahead."""
DESCRIBED: dict[str, Any] = {
    "name": "swings and tilts",
    "boom": {"foot_m": FOOT, "length_m": BOOM},
    "stick": {"length_m": STICK},
    "boom_swing": {"pivot_m": PIVOT},
    "bucket": [
        {"name": "b", "tip_m": TIP, "width_m": 2 * HALF, "tilt_axis_m": AXIS, "tilt_axis_deg": AXIS_DEG}
    ],
    "sensor": {
        **{body: {"body": body} for body in ("upper", "boom", "stick", "bucket")},
        "swing": {"body": "boom_swing", "type": "slew", "mount_rpy_deg": [0.0, 0.0, -ZERO_DEG]},
    },
}


def described(*without: str, **changes: Any) -> Machine:
    """The machine, without some sensors."""
    sensors = {name: s for name, s in DESCRIBED["sensor"].items() if name not in without}
    return parse_machine({**DESCRIBED, "sensor": sensors, **changes}, "test")


class Stand:
    """One rest of the true machine, angles in degrees: bodies against the boom plane's own horizon."""

    def __init__(
        self, pitch: float, roll: float, swing: float, boom: float, stick: float, bucket: float, tilt: float
    ) -> None:
        a = {k: math.radians(v) for k, v in locals().items() if k != "self"}
        upper = turned("y", -a["pitch"]) @ turned("x", a["roll"])
        post = upper @ moved(*PIVOT) @ turned("z", a["swing"]) @ moved(*(-p for p in PIVOT)) @ moved(*FOOT)
        first = post @ turned("y", -a["boom"])
        second = first @ moved(BOOM, 0, 0) @ turned("y", -a["stick"])
        last = second @ moved(STICK, 0, 0) @ turned("y", -a["bucket"])
        across = math.radians(AXIS_DEG)
        about = np.eye(4)
        about[:3, :3] = Rotation.from_rotvec(
            a["tilt"] * np.array([math.cos(across), 0.0, math.sin(across)])
        ).as_matrix()
        part = last @ moved(AXIS[0], 0, AXIS[1]) @ about @ moved(-AXIS[0], 0, -AXIS[1])
        self.frames: dict[str, Matrix] = {"upper": upper, "boom": first, "stick": second, "bucket": part}
        self.swing, self.tilt = swing, tilt
        self.height = {
            "tip": (part @ moved(TIP, 0, 0))[2, 3],
            "left": (part @ moved(TIP, HALF, 0))[2, 3],
            "right": (part @ moved(TIP, -HALF, 0))[2, 3],
        }

    def readings(self) -> dict[str, SensorRest]:
        return {
            name: SensorRest(accel_mps2=tuple(G * T[2, :3]), sigma_mps2=(0.001, 0.001, 0.001), samples=200)
            for name, T in self.frames.items()
        }


STANDS = (
    Stand(3.0, -4.0, 0.0, 35.0, -80.0, -45.0, 0.0),
    Stand(3.0, -4.0, 40.0, 20.0, -70.0, -40.0, 15.0),
    Stand(-2.0, 5.0, -35.0, 45.0, -100.0, -30.0, -25.0),
    Stand(1.0, 2.0, 20.0, 10.0, -60.0, -60.0, 30.0),
)


def checked(
    machine: Machine,
    stands: Sequence[Stand],
    of: Sequence[str] = ("tip",),
    noted: Mapping[str, str] | None = None,
    *,
    encoder: bool = True,
    turned_deg: float = 0.0,
) -> Verification:
    """The heights of those rests against the described machine.

    Args:
        noted: kind → what it is of, for what a person read besides.
        turned_deg: a knock of the bucket's sensor.
    """
    rests, found = [], []
    for i, stand in enumerate(stands):
        sensors = stand.readings()
        knocked = turned("y", math.radians(turned_deg))[:3, :3] @ np.array(sensors["bucket"].accel_mps2)
        sensors["bucket"] = sensors["bucket"].model_copy(update={"accel_mps2": tuple(knocked)})
        told = {"swing": stand.swing + ZERO_DEG} if encoder else {}
        rests.append(RestEntry(id=f"rest {i}", power_up="one", sensor=sensors, told_deg=told))
        places = {"method": "daily", "rest": f"rest {i}", "standing": "S"}
        for point in of:
            found.append(
                Observation(
                    id=f"{i} {point}", kind="height", of=point, value=stand.height[point], unit="m",
                    sigma=0.002, **places,
                )
            )  # fmt: skip
        values = {"swing": stand.swing, "tilt": stand.tilt, "encoder": stand.swing + ZERO_DEG}
        found += [
            Observation(
                id=f"{kind} {i}", kind=kind, of=what, value=values[kind], unit="deg", sigma=0.3, **places
            )
            for kind, what in (noted or {}).items()
        ]
    book = ObservationBook(rest=tuple(rests), observation=tuple(found))
    return verify(machine, found, gather(book, [], found))


@pytest.mark.parametrize("point", ["tip", "left", "right"])
def test_a_true_machine_passes_at_every_swing_and_tilt(point: str) -> None:
    found = checked(described(), STANDS, [point])
    assert found.errors == pytest.approx(np.zeros(3), abs=1e-6)
    angles = [(math.degrees(p.posture.swing), math.degrees(p.posture.tilt)) for p in found.points]
    assert angles == [pytest.approx((stand.swing, stand.tilt), abs=1e-6) for stand in STANDS[1:]]


def test_an_encoder_that_is_off_shows_in_a_check_that_is_swung_on_a_slope() -> None:
    off = described(sensor={**DESCRIBED["sensor"], "swing": {"body": "boom_swing", "type": "slew"}})
    assert np.abs(checked(off, STANDS).errors).max() > 0.002


@pytest.mark.parametrize("noted", [{"swing": "boom"}, {"encoder": "swing"}])
def test_a_swing_that_somebody_noted_counts_where_no_sensor_told_it(noted: dict[str, str]) -> None:
    without = ("swing",) if "swing" in noted else ()
    found = checked(described(*without), STANDS, noted=noted, encoder=False)
    assert found.errors == pytest.approx(np.zeros(3), abs=1e-6)


def test_a_swing_that_nothing_tells_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"0 tip: nothing tells how far the boom was swung.*kind = .swing"):
        checked(described("swing"), STANDS, encoder=False)
    with pytest.raises(ValueError, match=r"0 tip: swing has no reading, and nothing tells"):
        checked(described(), STANDS, encoder=False)


def test_a_boom_that_is_held_stands_as_it_is_held() -> None:
    held = described("swing", boom_swing={"pivot_m": PIVOT, "held_deg": 20.0})
    stands = (Stand(3.0, -4.0, 20.0, 35.0, -80.0, -45.0, 0.0), STANDS[3])
    assert checked(held, stands, encoder=False).errors == pytest.approx([0.0], abs=1e-6)


STEEP = Stand(0.0, 0.0, 0.0, 30.0, -70.0, -90.0 + 130.0 - 38.5 - 1.0, 20.0)
"""The axis 1° off the vertical."""


def test_a_tilt_about_a_steep_axis_is_refused_unless_somebody_noted_it() -> None:
    axis = STEEP.frames["bucket"][:3, :3] @ [
        math.cos(math.radians(AXIS_DEG)),
        0,
        math.sin(math.radians(AXIS_DEG)),
    ]
    assert abs(axis[2]) > math.cos(math.radians(3.0))
    found = checked(described(), [*STANDS, STEEP])
    ((name, reason),) = found.without
    assert name == "4 tip"
    assert "steep" in reason
    assert 'kind = "tilt"' in reason
    assert not check_of(found, "2026-05-01T10:00:00Z", 10.0).passed
    found = checked(described(), [*STANDS, STEEP], noted={"tilt": "bucket"})
    assert found.without == ()
    assert found.errors == pytest.approx(np.zeros(4), abs=1e-6)


def test_tip_and_corners_of_one_rest_are_compared_beside_each_other() -> None:
    found = checked(described(), STANDS, of=("tip", "left"))
    assert [p.of for p in found.points] == ["left", *["tip", "left"] * 3]
    assert found.errors == pytest.approx(np.zeros(7), abs=1e-6)


def test_the_knocked_sensor_of_a_tilting_bucket_is_named_with_its_turn() -> None:
    found = checked(described(), STANDS, of=("tip", "left", "right"), turned_deg=0.5)
    check = check_of(found, "2026-05-01T07:00:00Z", 0.001)
    best = suspects(described(), [check])[0]
    assert best.sensor == "bucket"
    assert abs(best.turn_deg) == pytest.approx(0.5, abs=0.05)
    assert best.share > 0.95
    assert Check.model_validate_json(check.model_dump_json()) == check


def test_a_history_of_before_still_reads() -> None:
    """Lines as they were written when every check was taken as straight and not tilted."""
    point = '{"id": "a", "error_m": 0.001, "q_rad": [0, 0, 0.5, -1, -2], "rocker_rad": null}'
    said = '"time": "2026-05-01T07:00:00Z", "tolerance_m": 0.02, "passed": true'
    line = f'{{{said}, "reference": {point}, "points": [{point}]}}'
    check = Check.model_validate_json(line)
    assert (check.points[0].swing_rad, check.points[0].tilt_rad, check.points[0].of) == (0.0, 0.0, "tip")
