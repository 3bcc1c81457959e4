"""Compiled code and the Python that it stands for give the same, to the last digits.

Not bit for bit: sums are taken in another order, which costs a few units of the last place each. What the two
say of a published figure may differ by a hundredth of what is published of it.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shared_data import shared
from tipdatum.fusion.chain import compiled
from tipdatum.fusion.chain.consistency import Consistency, Look
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.integration import EpochBlock, Strapdown
from tipdatum.fusion.chain.levers import Levers
from tipdatum.fusion.chain.measurement import MeasurementModel
from tipdatum.fusion.chain.motion import RateModel, SensorCorrection
from tipdatum.fusion.chain.noise import ProcessNoise
from tipdatum.fusion.chain.transition import TransitionModel
from tipdatum.fusion.chain.update import UpdateModel
from tipdatum.fusion.estimator import make_estimator
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.reading import Imu
from tipdatum_drivers.session_file import SessionFile

ROOT = Path(__file__).resolve().parents[3]
DIGS = [ROOT / "replay_data" / f"{name}.ndjson.gz" for name in ("trench", "rocker", "crossfall")]
HARD = ("loading-everything", "mixed-hammer", "travel-everything", "mixed-vibration-50hz")

pytestmark = pytest.mark.skipif(compiled.built is None, reason="nothing was compiled here")


def same(one: Any, other: Any, name: str = "") -> None:
    """Hold two results together, part by part, to a share of the largest number in each part."""
    if isinstance(one, tuple) and hasattr(one, "_fields"):
        for field in one._fields:
            same(getattr(one, field), getattr(other, field), f"{name}.{field}")
    elif isinstance(one, EpochBlock):
        for field in EpochBlock.__slots__:
            same(getattr(one, field), getattr(other, field), f"{name}.{field}")
    elif isinstance(one, (tuple, list)):
        assert len(one) == len(other), name
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            same(a, b, f"{name}[{k}]")
    elif isinstance(one, (np.ndarray, float)):
        one, other = np.asarray(one), np.asarray(other)
        assert one.shape == other.shape, name
        largest = float(np.abs(one).max(initial=0.0))
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-11 * max(largest, 1e-3), err_msg=name)
    else:
        assert one is other or one == other, name


def records(path: Path, seconds: float) -> Iterator[Imu]:
    first = math.nan
    for record in SessionFile(path).records():
        if isinstance(record, Imu):
            first = record.t if math.isnan(first) else first
            if record.t > first + seconds:
                return
            yield record


@pytest.mark.parametrize("path", DIGS, ids=lambda path: path.name.partition(".")[0])
def test_every_part_of_a_step_is_that_of_the_reference(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps, blocks = [], []
    step, block = ChainFilter.step, compiled.CompiledStrapdown.block

    def noted(f: ChainFilter, seen: EpochBlock) -> None:
        steps.append(f)
        if len(steps) % 7 == 0 and seen.active.all():
            compare_step(f, seen)
        step(f, seen)

    def noted_block(maker: Any, samples: Any, *given: Any) -> EpochBlock:
        before = copy.deepcopy(samples)
        found = block(maker, samples, *given)
        if len(steps) % 7 == 0:
            blocks.append(found)
            same(found, Strapdown(maker._epochs, maker._length).block(before, *given), "block")
        return found

    def noted_comparison(watch: Consistency, t: float) -> Any:
        found = comparison(watch, t)
        same(found, Consistency._compare(watch, t), "consistency")
        return found

    def noted_distance(watch: Consistency, look: Look) -> Any:
        found = distance(watch, look)
        same(found, Consistency._apart(watch, look), "gyros apart")
        return found

    comparison, distance = compiled.CompiledConsistency._compare, compiled.CompiledConsistency._apart
    monkeypatch.setattr(compiled.CompiledConsistency, "_apart", noted_distance)
    monkeypatch.setattr(compiled.CompiledConsistency, "_compare", noted_comparison)
    monkeypatch.setattr(ChainFilter, "step", noted)
    monkeypatch.setattr(compiled.CompiledStrapdown, "block", noted_block)
    estimator = make_estimator("chain", parse_machine(SessionFile(path).header.machine, str(path)), 0.01)
    for record in records(path, 40.0):
        estimator.consume(record)
    assert len(steps) > 100
    assert len(blocks) > 20


def compare_step(f: ChainFilter, block: EpochBlock) -> None:
    """From the filter's own state, by the compiled models and by the reference."""
    q, K = f.setup, f.epochs
    assert compiled.models_for(q, K).rates is compiled.CompiledRates
    levers: Levers = f._levers
    rate, before = float(f.rates[1]), f._chain_velocity
    motion = RateModel(q, K).motion(f.x, block, rate)
    same(compiled.CompiledRates(q, K).motion(f.x, block, rate), motion, "motion")
    of_python, of_c = MeasurementModel(q, levers, K), compiled.CompiledMeasurement(q, levers, K)
    expected, twin = of_python.foresee(f.x, motion, before), of_c.foresee(f.x, motion, before)
    same(twin, expected, "expected")
    (x, P), (x_twin, P_twin) = ((f.x.copy(), f.P.copy()) for _ in range(2))
    advance = TransitionModel(q, K).forward(x, P, motion, block, expected.change)
    advance_twin = compiled.CompiledTransition(q, K).forward(x_twin, P_twin, motion, block, expected.change)
    same((advance_twin, x_twin, P_twin), (advance, x, P), "transition")
    heard = f._persistence
    added = ProcessNoise(q, K).add(P, block, motion, heard, f._age, 0.5)
    added_twin = compiled.CompiledNoise(q, K).add(P_twin, block, motion, heard, f._age, 0.5)
    same((added_twin, P_twin), (added, P), "noise")
    measured = of_python.measure(x, block, motion, expected, advance)
    same(of_c.measure(x, block, motion, expected, advance), measured, "measured")
    noise = added.velocity
    update, update_twin = UpdateModel(q), compiled.CompiledUpdate(q)
    covariance = update.covariance(P, measured, noise)
    same(update_twin.covariance(P, measured, noise), covariance, "covariance")
    used = copy.deepcopy(covariance)
    update.take(x, P, measured, covariance)
    update_twin.take(x_twin, P_twin, measured, used)
    same((x_twin, P_twin), (x, P), "update")
    given = f.setup.channels, q.has_gyro.tolist()
    correction, correction_twin = SensorCorrection(*given), compiled.CompiledCorrection(*given)
    correction.renew(q, x)
    correction_twin.renew(q, x)
    same((correction_twin.turn, correction_twin.offset), (correction.turn, correction.offset), "correction")


def figures(path: Path, seconds: float) -> list[tuple[float, ...]]:
    """Angles and their covariance over a session, ten times a second."""
    estimator = make_estimator("chain", parse_machine(SessionFile(path).header.machine, str(path)), 0.01)
    found, due = [], -math.inf
    for record in records(path, seconds):
        estimator.consume(record)
        if record.t >= due:
            due = record.t + 0.1
            pose = estimator.pose(record.t)
            if pose.known:
                found.append((*pose.angles, *np.sqrt(np.diag(pose.covariance)).tolist()))
    return found


def hold_whole_session(path: Path, monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    fast = figures(path, seconds)
    monkeypatch.setattr(compiled, "built", None)
    compiled.strapdown.cache_clear()
    pure = figures(path, seconds)
    compiled.strapdown.cache_clear()
    assert len(fast) == len(pure) > 100
    # A microradian at 10 m of reach is a hundredth of a millimetre, ten times finer than what is published.
    np.testing.assert_allclose(np.array(fast), np.array(pure), rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("path", DIGS[:1], ids=lambda path: path.name.partition(".")[0])
def test_a_whole_dig_gives_the_same_poses(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hold_whole_session(path, monkeypatch, math.inf)


@pytest.mark.parametrize("name", HARD)
def test_a_hard_session_gives_the_same_poses(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sessions from outside, in which sensors clip, shake and err as real parts do."""
    hold_whole_session(shared(f"physics_hard/{name}.ndjson.gz"), monkeypatch, 60.0)
