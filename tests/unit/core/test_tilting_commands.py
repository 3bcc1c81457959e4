"""A plain bucket and one that tilts, changed by command; inclinometers and held joints beside them."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum.bus.messages import Arm, Message, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.machine.description import parse_machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Imu, Tilt

ANGLES_DEG = {"upper": 0.0, "boom": 20.0, "stick": -60.0, "bucket": -100.0}
FOOT_Z, BOOM, STICK, TILTING_TIP, PLAIN_TIP = 1.8, 4.7, 2.4, 0.9, 1.3
AXIS_DEG, TILT_DEG = 100.0, 15.0
"""With the bucket at -100° the axis lies level and points from the cab."""
SWING = {"pivot_m": [0.1, 0.0, 1.2]}


def described(**changes: Any) -> dict[str, Any]:
    axis = {"tilt_axis_m": [0.2, 0.1], "tilt_axis_deg": AXIS_DEG}
    return {
        "name": "two buckets",
        "boom": {"foot_m": [0.3, 0.0, FOOT_Z], "length_m": BOOM},
        "stick": {"length_m": STICK},
        "bucket": [
            {"name": "tilting", "tip_m": TILTING_TIP, "width_m": 1.5, **axis},
            {"name": "plain", "tip_m": PLAIN_TIP, "width_m": 0.6},
        ],
        "sensor": {body: {"body": body} for body in ANGLES_DEG},
        **changes,
    }


class Rig:
    """A pipeline and a machine at rest on level ground."""

    def __init__(self, words: dict[str, Any]) -> None:
        self.t, self.out = 0.0, list[Message]()
        self.types = {name: one.get("type", "imu") for name, one in words["sensor"].items()}
        wall = WallTime(datetime(2026, 5, 4, 8, tzinfo=UTC))
        machine = parse_machine(words, "test")
        self.pipeline = Pipeline(machine, Settings(arm_every=1), wall, self._take)

    def _take(self, one: Outgoing) -> None:
        self.out.append(one.message)

    def stand(self, seconds: float, tilt_deg: float) -> None:
        """Let time pass; the bucket's sensor is turned by `tilt_deg` about the tilt axis."""
        a = math.radians(AXIS_DEG)
        tilt = Rotation.from_rotvec(math.radians(tilt_deg) * np.array([math.cos(a), 0.0, math.sin(a)]))
        for step in range(round(seconds * 50)):
            for place, (body, angle) in enumerate(ANGLES_DEG.items()):
                theta, wobble = math.radians(angle), 0.003 * math.sin(step * 1.7 + place)
                up = np.array([math.sin(theta), 0.0, math.cos(theta)])
                x, y, z = (tilt.inv().apply(up) if body == "bucket" else up).tolist()
                t = self.t + step / 50 + 0.002 * place
                if self.types[body] == "tilt":
                    pitch, roll = math.degrees(math.atan2(x, z)), math.degrees(math.asin(y))
                    self.pipeline.feed(Tilt(t, body, pitch_deg=pitch + wobble, roll_deg=roll + wobble))
                    continue
                force = (9.80665 * x + wobble, 9.80665 * y + wobble, 9.80665 * z - wobble)
                self.pipeline.feed(Imu(t, body, force, (0.01 * wobble, -0.01 * wobble, 0.01 * wobble)))
        self.t += seconds

    def last(self, kind: type[Any]) -> Any:
        return [message for message in self.out if isinstance(message, kind)][-1]

    def send(self, command: str, **body: Any) -> None:
        self.pipeline.command(command, body, self.t, by="test")


def pin_z() -> float:
    return FOOT_Z + BOOM * math.sin(math.radians(20.0)) + STICK * math.sin(math.radians(-60.0))


def test_a_bucket_that_tilts_is_changed_for_a_plain_one_and_back() -> None:
    """Heights by the sines of the angles; a tilt about a level axis lowers one corner and lifts the other."""
    rig = Rig(described())
    rig.stand(4.0, TILT_DEG)
    assert rig.last(Arm).tilt_deg == pytest.approx(TILT_DEG, abs=0.3)
    assert rig.last(Arm).edge_fall_percent == pytest.approx(100.0 * math.tan(math.radians(TILT_DEG)), abs=0.7)
    rig.stand(3.0, 0.0)
    rig.send("datum/set", elevation_m=10.0)
    rig.stand(1.0, 0.0)
    assert rig.last(Tip).elevation_m == pytest.approx(10.0, abs=0.01)

    rig.send("bucket/choose", name="plain")
    rig.stand(4.0, 0.0)
    by_length = (PLAIN_TIP - TILTING_TIP) * math.sin(math.radians(-100.0))
    assert rig.last(Arm).tilt_deg is None
    assert rig.last(Tip).elevation_m == pytest.approx(10.0 + by_length, abs=0.02)

    rig.send("bucket/choose", name="tilting")
    rig.stand(4.0, TILT_DEG)
    assert rig.last(Arm).tilt_deg == pytest.approx(TILT_DEG, abs=0.3)
    tip = rig.last(Tip)
    assert abs(tip.left_m - tip.right_m) == pytest.approx(1.5 * math.sin(math.radians(TILT_DEG)), abs=0.01)


@pytest.mark.parametrize("of", [("bucket",), ("upper",), ("boom", "stick")], ids="-".join)
def test_inclinometers_beside_inertial_sensors_tell_the_tilt(of: tuple[str, ...]) -> None:
    sensors = {b: {"body": b, **({"type": "tilt"} if b in of else {})} for b in ANGLES_DEG}
    rig = Rig(described(sensor=sensors))
    rig.stand(6.0, TILT_DEG)
    assert rig.last(Tip).reach_m is not None
    assert rig.last(Arm).tilt_deg == pytest.approx(TILT_DEG, abs=0.5)


@pytest.mark.parametrize(
    "more", [{}, {"boom_swing": {**SWING, "held_deg": 0.0}}], ids=["tilts", "swings too"]
)
def test_inclinometers_alone_tell_no_figure_and_say_why(more: dict[str, Any]) -> None:
    rig = Rig(described(sensor={b: {"body": b, "type": "tilt"} for b in ANGLES_DEG}, **more))
    rig.stand(3.0, TILT_DEG)
    tip = rig.last(Tip)
    assert tip.reach_m is None
    assert tip.quality == "invalid"
    assert "this estimator tells neither a boom's swing nor a bucket's tilt" in " ".join(
        map(str, tip.reasons)
    )


def test_a_held_swing_described_anew_is_the_one_that_counts_and_figures_settle_first() -> None:
    rig = Rig(described(boom_swing={**SWING, "held_deg": 0.0}))
    rig.stand(4.0, 0.0)
    assert rig.last(Arm).swing_deg == pytest.approx(0.0, abs=0.1)
    assert rig.last(Tip).quality == "good"
    turned = parse_machine(described(boom_swing={**SWING, "held_deg": 20.0}), "anew")
    rig.pipeline.reload(turned, Settings(arm_every=1))
    rig.stand(0.2, 0.0)
    assert (rig.last(Tip).quality, rig.last(Tip).reasons) == ("settling", ["filter settling"])
    rig.stand(3.0, 0.0)
    assert rig.last(Arm).swing_deg == pytest.approx(20.0, abs=0.1)


def test_a_held_second_boom_described_anew_moves_the_tip_by_its_sine_and_figures_settle_first() -> None:
    """The reference stays the machine's: what changes is where the tip hangs from it."""
    rig = Rig(described(second_boom={"length_m": 2.0, "held_deg": -30.0}))
    rig.stand(4.0, 0.0)
    rig.send("datum/set", elevation_m=10.0)
    rig.stand(1.0, 0.0)
    assert rig.last(Tip).elevation_m == pytest.approx(10.0, abs=0.001)
    moved = parse_machine(described(second_boom={"length_m": 2.0, "held_deg": -40.0}), "anew")
    rig.pipeline.reload(moved, Settings(arm_every=1))
    rig.stand(0.2, 0.0)
    assert (rig.last(Tip).quality, rig.last(Tip).reasons) == ("settling", ["filter settling"])
    rig.stand(3.0, 0.0)
    sines = math.sin(math.radians(20.0 - 40.0)) - math.sin(math.radians(20.0 - 30.0))
    assert rig.last(Tip).elevation_m == pytest.approx(10.0 + 2.0 * sines, abs=0.002)
