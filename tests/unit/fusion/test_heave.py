"""Elevation against the ground of a machine that rocks, with and without its tracks described."""

from __future__ import annotations

import gzip
import itertools
import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from tipdatum.fusion.chain.heave import Footing
from tipdatum.fusion.estimator import MotionReading, make_estimator
from tipdatum.fusion.pose import Pose
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.machine.parts import Undercarriage
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Command, Imu, Tilt, Truth

Array = NDArray[np.float64]
TICK = 0.02
TRACKS = Undercarriage(contact_length_m=3.2, gauge_m=2.2)
"""The edges about which the arm of the conftest rocks; common for fourteen tonnes (no source)."""


def with_tracks(machine: Machine) -> Machine:
    return machine.model_copy(update={"undercarriage": TRACKS})


def play(machine: Machine, readings: Iterable[MotionReading], reference: float) -> list[Pose]:
    """A pose at every tick after the reference, predicted to the newest reading."""
    estimator = make_estimator("chain", machine, TICK)
    poses, tick, newest, anchored = [], 1, None, False
    for r in readings:
        while r.t > tick * TICK:
            if newest is not None and not anchored and newest >= reference:
                anchored = estimator.set_anchor(newest)
            elif newest is not None and anchored:
                poses.append(estimator.pose(newest))
            tick += 1
        estimator.consume(r)
        newest = r.t
    return [p for p in poses if p.known and p.anchor is not None]


def heights(machine: Machine, poses: list[Pose]) -> tuple[Array, Array, Array]:
    """t, height above the ground relative to the reference, and its sigma."""
    chain = machine.chain()
    out = []
    for p in poses:
        assert p.anchor is not None
        row = chain.height_jacobian(p.angles)
        variance = float(row @ p.covariance @ row - 2.0 * row @ p.anchor.covariance) + p.anchor.variance_m2
        height = float(chain.tip(p.angles)[2]) - p.anchor.height_m + p.heave_m
        out.append((p.t, height, math.hypot(math.sqrt(max(0.0, variance)), p.heave_sigma_m)))
    t, z, sigma = np.array(out).T
    return t, z, sigma


def errors(machine: Machine, d: Any, reference: float = 3.0) -> tuple[Array, Array]:
    """Error against the ground and its sigma, m."""
    t, z, sigma = heights(machine, play(machine, d.readings, reference))
    true, zero = (d.height_at(at) + d.heave_at(at) for at in (t, np.array([reference])))
    return z - (true - zero), sigma


def rms(v: Array) -> float:
    return float(np.sqrt(np.mean(v * v)))


def test_a_machine_that_rocks_is_known_against_the_ground_where_its_tracks_are_described(
    dig: Callable[..., Any],
) -> None:
    d = dig(seconds=30, noise=1.0)
    without, _ = errors(d.machine, d)
    known, sigma = errors(with_tracks(d.machine), d)
    assert rms(d.heave) > 0.005
    assert rms(known) < 0.6 * rms(without)
    assert (np.abs(known) < 2.0 * sigma).mean() > 0.92


def test_a_machine_that_does_not_rock_is_known_no_worse_for_it(dig: Callable[..., Any]) -> None:
    d = dig(seconds=30, noise=1.0, rocking=0.0)
    without, _ = errors(d.machine, d)
    known, _ = errors(with_tracks(d.machine), d)
    assert rms(known) < rms(without) + 0.0004


def test_standing_ties_the_lean_where_folded_vibration_sways_the_accelerometer_of_the_upper(
    dig: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    d = dig(seconds=30, seed=4, noise=1.0)
    swayed = [
        replace(r, accel_mps2=(r.accel_mps2[0] + 0.08 * math.sin(r.t), *r.accel_mps2[1:]))
        if r.sensor == "upper"
        else r
        for r in d.readings
    ]

    def off() -> float:
        poses = play(with_tracks(d.machine), swayed, 3.0)
        t, heave = np.array([(p.t, p.heave_m) for p in poses]).T
        return rms(heave - d.heave_at(t) + float(d.heave_at(np.array([3.0]))[0]))

    tied = off()
    monkeypatch.setattr(Footing, "steady", lambda *_: None)
    assert tied < 0.6 * off()


def test_which_edge_it_tips_over_is_held_by_sigma_where_it_is_now_one_and_now_the_other(
    dig: Callable[..., Any],
) -> None:
    d = dig(seconds=30, noise=1.0, both_edges=True)
    one_edge = dig(seconds=30, noise=1.0)
    known, sigma = errors(with_tracks(d.machine), d)
    _, usual = errors(with_tracks(one_edge.machine), one_edge)
    assert (np.abs(known) < 2.0 * sigma).mean() > 0.9
    assert np.median(sigma) > 1.5 * np.median(usual)


def test_a_reference_set_while_the_machine_leans_makes_no_step_in_the_heave(dig: Callable[..., Any]) -> None:
    d = dig(seconds=16)
    estimator = make_estimator("chain", with_tracks(d.machine), TICK)
    readings = iter(d.readings)
    for r in itertools.takewhile(lambda r: r.t < 3.0, readings):
        estimator.consume(r)
    estimator.set_anchor(3.0)
    before, after = [], []
    for k, r in enumerate(readings):
        estimator.consume(r)
        if k % 400 == 0:
            before.append(estimator.pose(r.t).heave_m)
            estimator.set_anchor(r.t)
            after.append(estimator.pose(r.t).heave_m)
    assert np.abs(before).max() > 0.002
    assert after == pytest.approx(before, abs=1e-9)


@pytest.mark.parametrize("without", ["gyro", "tracks", "reference"])
def test_nothing_is_claimed_of_a_heave_that_nothing_tells(without: str, dig: Callable[..., Any]) -> None:
    d = dig(seconds=8)
    machine = d.machine if without == "tracks" else with_tracks(d.machine)
    readings = [
        Imu(r.t, r.sensor, r.accel_mps2) if without == "gyro" and r.sensor == "upper" else r
        for r in d.readings
    ]
    estimator = make_estimator("chain", machine, TICK)
    anchored = without == "reference"
    for r in readings:
        estimator.consume(r)
        if not anchored and r.t > 3.0:
            anchored = estimator.set_anchor(r.t)
    pose = estimator.pose(readings[-1].t)
    assert pose.known
    assert (pose.heave_m, pose.heave_sigma_m) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("session", "share"), [("static-industrial", 0.35), ("jerky-crossfall-hobby", 0.8), ("trench-hobby", 0.7)]
)
def test_simulated_machines_are_known_better_against_the_ground(
    session: str, share: float, shared_data: Callable[..., Path]
) -> None:
    """Source of the truth: a general physics engine, see the sessions' README."""
    with gzip.open(shared_data("physics_public", f"{session}.ndjson.gz"), "rb") as lines:
        machine = parse_machine(decode_header(lines.readline()).machine, session)
        records = [r for r in map(decode_line, lines) if r is not None]
    reference = next(r.t for r in records if isinstance(r, Command) and r.name == "datum/set")
    truth = np.array([(r.t, r.tip_ground_m[2]) for r in records if isinstance(r, Truth) and r.tip_ground_m])
    readings = [r for r in records if isinstance(r, Imu | Tilt)]
    off = []
    for described in (machine, with_tracks(machine)):
        t, z, sigma = heights(described, play(described, readings, reference))
        true = np.interp(t, *truth.T) - np.interp(reference, *truth.T)
        off.append(z - true)
    assert rms(off[1]) < share * rms(off[0])
    assert (np.abs(off[1]) < 2.0 * sigma).mean() > 0.9
