"""The seam between readings and poses: one estimator interface, chosen by name in the service's file.

An estimator is synchronous and deterministic; it knows time only from the readings and from the `t` it is
asked for. It never raises on live data: a reading it cannot use becomes an `Event`, and a joint it cannot
know shows in the pose's quality and reasons.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Protocol, TypeAlias

from pydantic import BaseModel

from tipdatum.errors import ConfigError
from tipdatum.fusion.pose import Pose
from tipdatum.machine.description import Machine
from tipdatum_drivers.presence import Presence
from tipdatum_drivers.reading import Imu, Slew, Tilt

MotionReading: TypeAlias = Imu | Tilt | Slew
Presences: TypeAlias = Mapping[str, Presence] | None
"""By sensor, kept by whoever judges the readings, so that an estimator holds no other view of who is silent;
None: the estimator keeps its own."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something worth telling that happened inside fusion or grade.

    `kind` is a stable short name, `text` a sentence, `sensor` the sensor it is about (or "").
    """

    t: float
    kind: str
    text: str
    sensor: str = ""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How one sensor agrees with the others.

    Attributes:
        test_ratio: innovation over its gate, the largest of late; usually below 0.5, above 1 is an alarm.
        vibration_mps2: root of the mean square of what shakes it.
        suspected: what it looks like where it does not agree, or "".
    """

    test_ratio: float
    vibration_mps2: float
    suspected: str = ""


class Estimator(Protocol):
    """One causal filter over the whole arm."""

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; readings come in order of `t`, of sensors the machine has."""

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`, not before the newest reading; alters nothing that later calls return."""

    def set_anchor(self, t: float, bucket_point: Sequence[float] | None = None) -> bool:
        """Keep the present tip height as the anchor of the reference (see `tipdatum.fusion.pose.Anchor`).

        Args:
            t: s, the moment, as for `pose`.
            bucket_point: (x, z) m in the bucket frame instead of the tip centre.

        Returns:
            False if the estimator keeps no anchors.
        """

    def clear_anchor(self) -> None:
        """Forget the anchor."""

    def replace_machine(self, machine: Machine) -> None:
        """Go on with another bucket or changed dimensions, keeping what is known of the sensors."""

    def events(self) -> list[Event]:
        """What happened since the last call, oldest first."""

    def agreement(self) -> dict[str, Agreement]:
        """By name how each sensor agrees with the others; empty where nothing is compared."""


def tells_angles_alone(machine: Machine) -> bool:
    """Whether the machine has tilt sensors and every one of them is an inclinometer."""
    return {s.type for s in machine.sensor.values() if s.type in ("imu", "tilt")} == {"tilt"}


Factory: TypeAlias = Callable[[Machine, float, BaseModel, Presences], Estimator]

_ESTIMATORS: dict[str, tuple[str, str, str]] = {
    "complementary": ("tipdatum.fusion.complementary", "ComplementaryEstimator", "ComplementaryOptions"),
    "chain": ("tipdatum.fusion.chain.estimator", "ChainEstimator", "ChainOptions"),
}
"""name → module, class, options model. The class is called with (machine, period_s, options, presences)."""

DEFAULT_ESTIMATOR = "chain"


def names() -> list[str]:
    """Names that a configuration may give."""
    return sorted(_ESTIMATORS)


def options_model(name: str, file: str = "options") -> type[BaseModel]:
    """The options of an estimator.

    Raises:
        ConfigError: no estimator has that name.
    """
    if name not in _ESTIMATORS:
        raise ConfigError(file, "fusion.estimator", f'"{name}"', f"one of {', '.join(names())}")
    module, _, options = _ESTIMATORS[name]
    model: type[BaseModel] = getattr(import_module(module), options)
    return model


def make_estimator(
    name: str,
    machine: Machine,
    period_s: float,
    options: dict[str, Any] | BaseModel | None = None,
    presences: Presences = None,
) -> Estimator:
    """An estimator by name.

    Args:
        name: one of `names()`.
        machine: the description, with the mounted bucket first.
        period_s: the tick's period, s.
        options: of that estimator; None for its defaults.
        presences: see `Presences`.

    Raises:
        ConfigError: no estimator has that name.
    """
    model = options_model(name)
    module, cls, _ = _ESTIMATORS[name]
    chosen = options if isinstance(options, BaseModel) else model.model_validate(options or {})
    if name == "chain" and tells_angles_alone(machine):
        # No force and no gyro to integrate: another filter of the same options.
        module, cls = "tipdatum.fusion.tilt_only", "InclinometerEstimator"
    factory: Factory = getattr(import_module(module), cls)
    return factory(machine, period_s, chosen, presences)
