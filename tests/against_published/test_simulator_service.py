"""The published figure against a machine driven at random: within its sigma, or not called good.

It strikes the ground as it comes. The truth comes from the simulator's own dynamics (checked against another
engine), not from the service.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tipdatum.bus.messages import Reply, Tip
from tipdatum.config import Settings
from tipdatum.core.pipeline import Outgoing, Pipeline
from tipdatum.shipped import shipped
from tipdatum.simulator.scenario import load_scenario
from tipdatum.simulator.simulation import STEP_S, Simulation
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.reading import Command, Truth

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

REST_S, SECONDS, SHORT_S = 6.0, 75.0, 45.0
FAR_M = 0.03
"""What no figure that is not doubted may be off by beyond 3 sigma, m: more than a bucket's teeth are worn."""
FUNCTIONS = ("boom", "stick", "bucket", "slew")
MORE = ("second_boom", "swing", "tilt")


def hands(rng: np.random.Generator, more: tuple[str, ...]) -> dict[str, float]:
    """Somebody moves some levers somewhere; half the time gently."""
    most = float(rng.choice([0.4, 1.0]))
    return {name: most * float(rng.uniform(-1, 1)) for name in FUNCTIONS + more if rng.random() < 0.6}


def drive(
    seed: int, machine: str | None = None, without: str = "", *, seconds: float = SECONDS, rest_s: float = 0.0
) -> list[tuple[float, float, str]]:
    """Error, sigma (m) and quality of every figure after the reference; at last it rests for `rest_s`."""
    named = None if machine is None else Path(shipped("config", "machines", f"{machine}.toml"))
    scenario = load_scenario(Path(shipped("config", "scenarios", "trench.toml")), named)
    if without:
        kept = {name: sensor for name, sensor in scenario.machine.sensor.items() if name != without}
        scenario = replace(scenario, machine=scenario.machine.model_copy(update={"sensor": kept}))
    simulation = Simulation(scenario.machine, scenario.setting(seed))
    heard: list[Outgoing] = []
    wall = WallTime(parse_started("2026-05-04T08:00:00Z", "test"))
    pipeline = Pipeline(scenario.machine, Settings(period_s=0.02), wall, heard.append)
    rng = np.random.default_rng(seed)
    more = tuple(name for name in MORE if name in simulation.hydraulics.drives)
    levers: dict[str, float] = {}
    change, order, times, heights = REST_S + 3.0, REST_S, [], []
    while simulation.t < seconds:
        if simulation.t >= change:
            # A hand holds a lever for a moment, and rests now and then.
            levers = hands(rng, more) if rng.random() < 0.8 else {}
            change += float(rng.uniform(0.3, 2.5))
        if simulation.t >= seconds - rest_s:
            levers = {}
        if order is not None and simulation.t >= order:
            pipeline.feed(Command(simulation.t, "datum/set", {"elevation_m": 0.0}))
            order = None  # type: ignore[assignment]
        for record in simulation.advance(levers):
            if isinstance(record, Truth):
                times.append(record.t)
                heights.append(record.tip_m[2])
            pipeline.feed(record)
    assert round(seconds / STEP_S) <= simulation.step_number + 1
    assert not simulation.tipped
    replies = [out.message for out in heard if isinstance(out.message, Reply)]
    assert [reply.ok for reply in replies] == [True], replies
    at_reference = float(np.interp(REST_S, times, heights))
    found = []
    for out in heard:
        tip = out.message
        if isinstance(tip, Tip) and tip.elevation_m is not None and tip.sigma_m is not None and out.t_emit:
            true = float(np.interp(out.t_emit, times, heights)) - at_reference
            found.append((tip.elevation_m - true, tip.sigma_m, str(tip.quality)))
    return found


@pytest.mark.parametrize("seed", [101, 202, 303, 404, 505, 606])
def test_a_machine_driven_at_random_is_where_the_service_says_it_is(seed: int) -> None:
    # The reference itself has been touched with an uncertainty that sigma contains and this machine does not.
    figures = drive(seed)
    assert len(figures) > 40 * (SECONDS - REST_S - 3.0)
    errors = np.array([abs(error) for error, _, _ in figures])
    sigmas = np.array([sigma for _, sigma, _ in figures])
    good = np.array([quality == "good" for _, _, quality in figures])
    stands = good | np.array([quality == "moving" for _, _, quality in figures])
    beyond = errors > 3.0 * sigmas
    within = 1.0 - float(np.mean(beyond))
    assert within >= 0.99, f"{100 * within:.2f} % within 3 sigma"
    assert good.any()
    assert not (good & beyond).any(), (
        f"{(good & beyond).sum()} of {good.sum()} good figures are beyond 3 sigma"
    )
    far = stands & beyond & (errors > FAR_M)
    assert not far.any(), f"{far.sum()} figures that count are beyond 3 sigma and {FAR_M} m"
