"""A whole retrofit against the truth of a rigid-body simulation that shares no code with the service.

Readings, hand measurements and one slip come from the developers' simulated retrofit (a general physics
engine); the figures to keep are those of a plain adjustment made as a feasibility study: the twenty
acceptance postures went from 66-86 mm RMS to 0.8-2.2 mm against the truth.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.following import Followed, follow
from tipdatum.calibration.observations import ACCEPTANCE, ObservationBook
from tipdatum.calibration.observations_file import load_observations
from tipdatum.calibration.recordings import RecordedEvidence, gather, read_recording
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import of_method, verify
from tipdatum.machine.description import Machine, parse_machine

SLIP = "C2-2-markA"
"""The observation that the simulation spoiled: the tip 38 mm above the mark."""

BEST_KNOWN_M = 0.0022


@dataclass
class Case:
    described: Machine
    book: ObservationBook
    folders: list[Path]
    truth: dict[str, Any]
    evidence: RecordedEvidence

    def tip_error_m(self, machine: Machine) -> float:
        """RMS over the acceptance postures against the true heights, not the readings of them."""
        true = [
            o.model_copy(update={"value": self.truth["true_values"][o.id]})
            for o in of_method(self.book, ACCEPTANCE)
        ]
        return verify(machine, true, gather(self.book, self.folders, true)).rms_m


@pytest.fixture(scope="module", params=["bucket", "rocker"])
def case(request: pytest.FixtureRequest, shared_data: Callable[..., Path]) -> Case:
    root = shared_data("physics_public", "retrofit")
    folders = [root] if request.param == "bucket" else [root / "rocker", root]
    book = load_observations(root / "observations.json")
    described = parse_machine(dict(read_recording(folders[0] / "slopes.ndjson.gz").machine), "header")
    truth = json.loads((root / "truth.json").read_text(encoding="utf-8"))
    return Case(described, book, folders, truth, gather(book, folders, book.solving()))


@pytest.fixture(scope="module")
def solved(case: Case) -> Solution:
    return adjust(make_setup(case.described, case.book.solving(), case.evidence, case.book.assume))


@pytest.fixture(scope="module")
def followed(case: Case) -> Followed:
    return follow(case.described, case.book, case.evidence)


def scaled_errors(solution: Solution, truth: dict[str, Any]) -> dict[str, float]:
    """Error of every unknown of the machine and its sensors, in its stated sigmas."""
    t = truth["machine"]
    true = {
        "boom.foot_m.x": t["boom"]["foot_m"][0],
        "boom.foot_m.z": t["boom"]["foot_m"][2],
        "boom.length_m": t["boom"]["length_m"],
        "stick.length_m": t["stick"]["length_m"],
        "bucket.tip_m": t["bucket"][0]["tip_m"],
    }
    if solution.setup.has_linkage:
        k = t["linkage"]
        true["linkage.rocker_pivot_x"], true["linkage.rocker_pivot_z"] = k["rocker_pivot_m"]
        true |= {f"linkage.{n}": k[n] for n in ("rocker_m", "link_m", "bucket_ear_m")}
        true["linkage.bucket_ear_angle"] = math.radians(k["bucket_ear_angle_deg"])
    found = {n: (solution.value(n) - v) / solution.sigma(n) for n, v in true.items()}
    for i, name in enumerate(solution.setup.sensors):
        mount = Rotation.from_euler("xyz", t["sensor"][name]["mount_rpy_deg"], degrees=True).as_matrix()
        turn = Rotation.from_matrix(solution.state.mount[i] @ mount.T).as_rotvec()
        errors = truth["sensor_errors"][name]
        for k, axis in enumerate(("roll", "pitch", "yaw")):
            key = f"sensor.{name}.mount.{axis}"
            found[key] = float(turn[k]) / solution.sigma(key)
        for group, values in (("accel_bias", "accel_bias_mps2"), ("accel_scale", "accel_scale")):
            for k, axis in enumerate("xyz"):
                key = f"sensor.{name}.{group}.{axis}"
                found[key] = (solution.value(key) - errors[values][k]) / solution.sigma(key)
    return found


def test_only_the_slip_is_rejected(solved: Solution) -> None:
    assert solved.rejected == [SLIP]


def test_every_unknown_lies_within_three_of_its_sigmas(solved: Solution, case: Case) -> None:
    worst = max(scaled_errors(solved, case.truth).items(), key=lambda e: abs(e[1]))
    assert abs(worst[1]) < 3.0, worst


def test_the_tip_is_as_good_as_the_feasibility_study(solved: Solution, case: Case) -> None:
    assert case.tip_error_m(case.described) > 0.05
    assert case.tip_error_m(calibrated_machine(solved)) < BEST_KNOWN_M


def test_the_guides_few_postures_do_as_well(followed: Followed, case: Case) -> None:
    assert followed.postures <= followed.available // 2
    assert followed.readings <= 42  # of six postures that are measured whole
    assert case.tip_error_m(calibrated_machine(followed.solution)) < BEST_KNOWN_M
    assert max(abs(v) for v in scaled_errors(followed.solution, case.truth).values()) < 3.0


def test_the_guide_names_the_slip_also_in_a_posture_it_did_not_need(followed: Followed) -> None:
    assert SLIP in (*followed.solution.rejected, *followed.misfits)


def test_the_predicted_improvement_is_monotone(followed: Followed) -> None:
    assert np.all(np.diff([t.before.worst_m for t in followed.order]) < 2e-4)
