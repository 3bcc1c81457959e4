"""What only shows when sensors are looked at together: inclinometers that stand still where they cannot.

An inclinometer filters and rounds, so that its repeating an angle says nothing by itself. But

- a body cannot keep its angle to a twentieth of a degree while the body that it hangs on turns: somebody
  would have to steer against it as exactly. In simulated digs no stick or bucket kept an angle of 0.05° for
  more than 0.4 s of such motion. What hangs on a body says less of it: a boom may be held while the stick
  works, though the machine rocks it; it kept its angle for 0.6 s at most, and has longer here.
- several inclinometers on different bodies cannot answer the same to the last bit for seconds, unless one
  server answers for parts that are gone.

The upper's own tilt may truly stand while the arm works, so that nothing shows when its inclinometer froze.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tipdatum_drivers.plausibility import SensorMonitor

TURNS_RADPS = 0.05
"""Rate from which a body counts as turning, rad/s: 3 °/s pass 0.05° sixty times a second."""
CARRIED_S, CARRYING_S = 2.0, 4.0
"""Turning of the body that carries it, and of the one that it carries, after which an angle is frozen, s."""
ALIKE_S = 2.0
"""How long all answer the same constant before that is told, s."""
LEAST_ALIKE = 3
"""Two inclinometers of coarse steps may well agree."""


class Together:
    """Watches the inclinometers of a machine beside what its bodies do.

    Args:
        chain: (body, monitor or None) in order from the upper outwards; monitors of inclinometers alone.
    """

    def __init__(self, chain: Iterable[tuple[str, SensorMonitor | None]]) -> None:
        order = list(chain)
        self._places: list[tuple[SensorMonitor, str | None, str | None]] = []
        """Monitor, the body that carries its own, the body that its own carries."""
        for k, (_, monitor) in enumerate(order):
            if monitor is None or k == 0:
                continue
            carrier = order[k - 1][0] if k > 1 else None
            self._places.append((monitor, carrier, order[k + 1][0] if k + 1 < len(order) else None))
        self._all = [monitor for _, monitor in order if monitor is not None]

    @property
    def watches(self) -> bool:
        """Whether there is anything to watch."""
        return bool(self._all)

    def turned(self, t: float, span: float, rates: Mapping[str, float]) -> None:
        """Bodies have turned at `rates`, rad/s, for the last `span` s."""
        for monitor, carrier, carried in self._places:
            judge, after = (carrier, CARRIED_S) if carrier is not None else (carried, CARRYING_S)
            if judge is not None and abs(rates.get(judge, 0.0)) > TURNS_RADPS:
                monitor.stood_while_turning(t, span, judge, after)

    def compare(self, t: float) -> None:
        """Look whether all answer the same constant."""
        answers = {monitor.standing_angle for monitor in self._all}
        same = len(self._all) >= LEAST_ALIKE and len(answers) == 1 and None not in answers
        alike = same and all(t - monitor.standing_since >= ALIKE_S for monitor in self._all)
        for monitor in self._all:
            monitor.answers_like_others(t, alike)
