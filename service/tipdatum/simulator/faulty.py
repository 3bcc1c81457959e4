"""What goes wrong with sensors, on demand: the six faults of a scenario and of the practice page.

======= ====================================================================================
fault   what happens
======= ====================================================================================
unplug  the sensor is silent
freeze  it goes on sending the same reading
swap    its plug and another's have changed places
corrupt part of its bytes are spoilt on the way (on a line; a session file holds no bytes)
warm    it gets 20 K warmer within minutes
knock   its bracket is turned by 3 degrees, which no description knows
======= ====================================================================================
"""

from __future__ import annotations

from tipdatum.simulator.simulation import Simulation

WARM_K = 20.0
KNOCK_DEG = (0.8, 3.0, 0.4)


class Meddler:
    """Begins and ends faults on one simulation; `active` holds what is wrong, by sensor."""

    def __init__(self, simulation: Simulation) -> None:
        self._sim = simulation
        self.active: dict[str, set[str]] = {}

    @property
    def corrupted(self) -> set[str]:
        """Sensors whose bytes are spoilt."""
        return {name for name, faults in self.active.items() if "corrupt" in faults}

    def do(self, kind: str, sensor: str, other: str | None = None, *, over: bool = False) -> None:
        """Begin a fault, or end it."""
        on = self.active.setdefault(sensor, set())
        if over == (kind not in on):
            return
        (on.discard if over else on.add)(kind)
        faults, part = self._sim.instruments.faults, self._sim.instruments.sensors.get(sensor)
        sign = -1.0 if over else 1.0
        if kind == "unplug":
            (faults.silent.discard if over else faults.silent.add)(sensor)
        elif kind == "freeze":
            if over:
                faults.frozen.pop(sensor, None)
            else:
                faults.frozen[sensor] = None
        elif kind == "swap":
            self._swap(sensor, other, over)
        elif part is not None and kind == "warm":
            part.warm(sign * WARM_K)
        elif part is not None and kind == "knock":
            if over:
                part.straighten()
            else:
                part.knock(KNOCK_DEG)

    def _swap(self, sensor: str, other: str | None, over: bool) -> None:
        swapped = self._sim.instruments.faults.swapped
        if over:
            partner = swapped.pop(sensor, None)
            if partner is not None:
                swapped.pop(partner, None)
        elif other is not None:
            swapped[sensor], swapped[other] = other, sensor
