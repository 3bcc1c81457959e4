"""A scenario played without hands: the script's operator in the simulated machine, records out, in order."""

from __future__ import annotations

from collections.abc import Iterator

from tipdatum.simulator.faulty import Meddler
from tipdatum.simulator.operator import Operator
from tipdatum.simulator.scenario import Scenario
from tipdatum.simulator.simulation import Simulation
from tipdatum_drivers.reading import Record

LAST_S = 0.5
"""Played on after the script's end, so that the last readings come in."""


class Play:
    """One run of a scenario's script; `simulation` may be looked at between records.

    Args:
        scenario: with a script. seed: instead of the scenario's.
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self.scenario = scenario
        setting = scenario.setting(seed)
        self.simulation = Simulation(scenario.machine, setting)
        self.operator = Operator(self.simulation, scenario.steps, setting.seed)
        self.meddler = Meddler(self.simulation)

    def step(self) -> list[Record]:
        """One step; what came in during it, orders of the script among it."""
        records = self.simulation.advance(self.operator.levers())
        for fault in self.operator.fault:
            self.meddler.do(fault.kind, fault.sensor, fault.other, over=fault.over)
        self.operator.fault.clear()
        if self.operator.orders:
            records = sorted([*self.operator.orders, *records], key=lambda record: record.t)
            self.operator.orders.clear()
        return records

    def records(self) -> Iterator[Record]:
        """Everything up to the script's end."""
        left = LAST_S
        while left > 0.0:
            before = self.simulation.t
            yield from self.step()
            if self.operator.done:
                left -= self.simulation.t - before
