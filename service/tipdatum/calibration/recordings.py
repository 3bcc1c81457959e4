"""Still windows and single-joint swings out of recordings: what a sensor said on average, and how steadily.

A recording is read once into arrays; everything else is arithmetic on slices of them. Inclinometers that
tell angles are turned into the specific force they stand for, so that all methods see one kind of reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tipdatum.calibration.observations import Observation, ObservationBook, SensorRest
from tipdatum.errors import ConfigError, SessionError
from tipdatum.fusion.sensors import up_from_tilt
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2, Array
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt, Vector
from tipdatum_drivers.session_file import SessionFile

BEFORE_S = 2.0
"""What is kept of the time before a motion, s: the rest that it begins from."""

BLOCKS = 8
"""Parts a window is cut into to see how steady its average is."""

LEAST_TURN = math.radians(5.0)
"""Turning back and forth below which a swing shows no axis."""

ENOUGH = 16
"""Fewest samples that make an average."""


@dataclass(frozen=True, slots=True)
class Samples:
    """One sensor's readings: t (N,) s, accel (N, 3) m/s², gyro (N, 3) rad/s or None, temperature °C."""

    t: Array
    accel: Array
    gyro: Array | None
    temp_c: float | None = None

    def cut(self, start: float, end: float) -> Samples:
        """A part of them."""
        part = self.between(start, end)
        return Samples(
            self.t[part], self.accel[part], None if self.gyro is None else self.gyro[part], self.temp_c
        )

    def between(self, start: float, end: float) -> slice:
        """The samples of a window, both ends included."""
        return slice(int(np.searchsorted(self.t, start, "left")), int(np.searchsorted(self.t, end, "right")))


@dataclass(frozen=True, slots=True)
class Swing:
    """One joint's turn seen by one gyro: unit axis of the first turn in the sensor's axes, and its length.

    `linearity` is the share of the turning that does not lie along the axis, 0 for a clean swing.
    """

    axis: Array
    turned_rad: float
    linearity: float


@dataclass(frozen=True, slots=True)
class Motion:
    """One single-joint motion as it was recorded, with the rest before it.

    Attributes:
        id: of its observation. file: the recording. window: (start, end) s. samples: by sensor.
    """

    id: str
    file: str
    window: tuple[float, float]
    samples: dict[str, Samples]


@dataclass(slots=True)
class Recording:
    """A recording by sensor."""

    name: str
    samples: dict[str, Samples]
    machine: Mapping[str, object] = field(default_factory=dict)
    slews: dict[str, Array] = field(default_factory=dict)
    """Sensor of an angle → (N, 2) time, s, and what it told, degrees."""


def read_recording(path: Path) -> Recording:
    """A session file's motion readings.

    Raises:
        SessionError: it cannot be read.
    """
    session = SessionFile(path)
    slews: dict[str, list[tuple[float, float]]] = {}
    found = collect(session, slews)
    return Recording(
        path.name, found, session.header.machine, {n: np.array(told) for n, told in slews.items()}
    )


def collect(
    records: Iterable[Record], slews: dict[str, list[tuple[float, float]]] | None = None
) -> dict[str, Samples]:
    """Readings sorted by sensor; those of sensors that tell one angle go to `slews`."""
    rows: dict[str, list[tuple[float, ...]]] = {}
    temps: dict[str, list[float]] = {}
    for r in records:
        if isinstance(r, Imu):
            rows.setdefault(r.sensor, []).append(
                (r.t, *r.accel_mps2, *(r.gyro_radps or (math.nan, math.nan, math.nan)))
            )
        elif isinstance(r, Tilt):
            rows.setdefault(r.sensor, []).append((r.t, *force_of(r), math.nan, math.nan, math.nan))
        else:
            if isinstance(r, Slew) and slews is not None:
                slews.setdefault(r.sensor, []).append((r.t, r.angle_deg))
            continue
        if r.temp_c is not None:
            temps.setdefault(r.sensor, []).append(r.temp_c)
    found: dict[str, Samples] = {}
    for sensor, values in rows.items():
        a = np.array(values)
        gyro = a[:, 4:] if np.isfinite(a[:, 4:]).all() else None
        temp = float(np.mean(temps[sensor])) if sensor in temps else None
        found[sensor] = Samples(a[:, 0], a[:, 1:4], gyro, temp)
    return found


def force_of(r: Tilt) -> Vector:
    """The specific force that an inclinometer's angles stand for, m/s², in its own axes."""
    x, y, z = up_from_tilt(r)
    g = STANDARD_GRAVITY_MPS2
    return g * x, g * y, g * z


def average(samples: Samples, start: float, end: float, floor_mps2: float) -> SensorRest | None:
    """Average over a window; None with fewer than `ENOUGH` samples.

    The 1-sigma of the average comes from the scatter of `BLOCKS` parts of the window (so sway and sag
    count as well as noise) and is never below `floor_mps2`.
    """
    part = samples.between(start, end)
    accel = samples.accel[part]
    n = len(accel)
    if n < ENOUGH:
        return None
    means = np.array([b.mean(axis=0) for b in np.array_split(accel, BLOCKS)])
    # The straight-line part of the scatter is sag, which moves the average by nothing.
    k = np.arange(BLOCKS) - (BLOCKS - 1) / 2.0
    line = np.outer(k, k @ means / (k @ k))
    scatter = (means - means.mean(axis=0) - line).std(axis=0, ddof=2) / math.sqrt(BLOCKS)
    third = max(n // 3, 1)
    first, last = accel[:third].mean(axis=0), accel[-third:].mean(axis=0)
    cosine = first @ last / (np.linalg.norm(first) * np.linalg.norm(last) + 1e-12)
    gyro = None if samples.gyro is None else samples.gyro[part].mean(axis=0)
    sigma = np.hypot(scatter, floor_mps2)
    return SensorRest(
        accel_mps2=_three(accel.mean(axis=0)),
        sigma_mps2=_three(sigma),
        gyro_radps=None if gyro is None else _three(gyro),
        samples=n,
        drift_deg=math.degrees(math.acos(min(1.0, float(cosine)))),
        temp_c=samples.temp_c,
    )


def swing(samples: Samples, start: float, end: float, bias: Array) -> Swing | None:
    """Axis about which a sensor turned in a window, from its gyro; None if it did not turn or has none.

    The principal direction of the rates (bias taken off) by singular value decomposition; its sense is that
    of the first third of the turning.
    """
    part = samples.between(start, end)
    if samples.gyro is None or part.stop - part.start < ENOUGH:
        return None
    return swing_axis(samples.gyro[part] - bias, np.gradient(samples.t[part]))


def swing_axis(rates: Array, steps: Array) -> Swing | None:
    """Axis of a turn, None if it hardly turned: rates (N, 3) rad/s without bias, each for `steps` (N,) s."""
    _, strength, directions = np.linalg.svd(
        rates * np.sqrt(np.maximum(steps, 0.0))[:, None], full_matrices=False
    )
    axis = directions[0]
    along = rates @ axis
    travel = np.cumsum(np.abs(along) * steps)
    if travel[-1] < LEAST_TURN:
        return None
    first = along[travel < travel[-1] / 3.0]
    if first.sum() < 0:
        axis = -axis
    return Swing(axis, float(travel[-1]), float(math.hypot(*strength[1:]) / strength[0]))


@dataclass(slots=True)
class StillWindow:
    """One still window: where it is, and each sensor's average."""

    file: str
    start: float
    end: float
    standing: str | None
    sensors: dict[str, SensorRest]
    label: str
    told_deg: dict[str, float] = field(default_factory=dict)
    """Sensor of an angle → what it told on average, degrees."""


@dataclass(slots=True)
class RecordedEvidence:
    """Everything the recordings contribute: still windows, swings, gyro biases.

    Attributes:
        windows: by `Observation.place`. swings: observation id → sensor → swing.
        motions: observation id → its readings, of recorded ones.
        gyro_bias: (file, sensor) → (3,) rad/s, mean over the file's still windows.
        warnings: sentences about windows that were not still or sensors that were silent.
    """

    windows: dict[tuple[str, float, float], StillWindow] = field(default_factory=dict)
    swings: dict[str, dict[str, Swing]] = field(default_factory=dict)
    gyro_bias: dict[tuple[str, str], Array] = field(default_factory=dict)
    motions: dict[str, Motion] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def gather(
    book: ObservationBook, folders: Sequence[Path], observations: Sequence[Observation]
) -> RecordedEvidence:
    """Average every window that `observations` name.

    Args:
        folders: searched in this order for the recordings.

    Raises:
        ConfigError: a recording is nowhere. SessionError: one cannot be read, or a window lies outside it.
    """
    evidence = RecordedEvidence()
    rests = {r.id: r for r in book.rest}
    swings = {s.id: s for s in book.swing}
    by_file: dict[str, list[Observation]] = {}
    for o in observations:
        if o.kind == "single_joint" and o.id in swings:
            evidence.swings[o.id] = {
                name: Swing(np.array(s.axis), s.turned_rad, s.linearity)
                for name, s in swings[o.id].sensor.items()
            }
            continue
        if o.rest is not None:
            entry = rests[o.rest]
            evidence.windows.setdefault(
                (f"rest:{o.rest}", 0.0, 0.0),
                StillWindow(
                    entry.power_up or "live",
                    0.0,
                    0.0,
                    o.standing,
                    dict(entry.sensor),
                    entry.id,
                    dict(entry.told_deg),
                ),
            )
        elif o.file is not None and o.window is not None:
            by_file.setdefault(o.file, []).append(o)
    _live_gyro_bias(evidence)
    for file, wanted in by_file.items():
        _gather_file(evidence, file, find(file, folders), wanted, book.assume.accel_floor_mps2)
    return evidence


def _live_gyro_bias(evidence: RecordedEvidence) -> None:
    seen: dict[tuple[str, str], list[tuple[float, ...]]] = {}
    for window in evidence.windows.values():
        for name, rest in window.sensors.items():
            if rest.gyro_radps is not None:
                seen.setdefault((window.file, name), []).append(rest.gyro_radps)
    for key, means in seen.items():
        evidence.gyro_bias[key] = np.median(np.array(means), axis=0)


def find(file: str, folders: Sequence[Path]) -> Path:
    """The recording of that name.

    Raises:
        ConfigError: it is in none of the folders.
    """
    for folder in folders:
        if (folder / file).is_file():
            return folder / file
    places = ", ".join(str(f) for f in folders)
    raise ConfigError("observations", "file", f'"{file}", which is not in {places}', "a recording")


def _gather_file(
    evidence: RecordedEvidence, file: str, path: Path, wanted: Sequence[Observation], floor: float
) -> None:
    recording = read_recording(path)
    gyros: dict[str, list[tuple[float, ...]]] = {}
    for o in wanted:
        assert o.window is not None
        place = (file, *o.window)
        if o.kind == "single_joint" or place in evidence.windows:
            continue
        sensors = {
            name: rest
            for name, s in recording.samples.items()
            if (rest := average(s, *o.window, floor)) is not None
        }
        if not sensors:
            raise SessionError(
                str(path),
                0,
                f"no readings in [{o.window[0]:g}, {o.window[1]:g}] s (observation {o.id})",
                "a window inside the recording",
            )
        told = {
            name: float(s[within, 1].mean())
            for name, s in recording.slews.items()
            if (within := (s[:, 0] >= o.window[0]) & (s[:, 0] <= o.window[1])).any()
        }
        evidence.windows[place] = StillWindow(file, *o.window, o.standing, sensors, _label(o), told)
        for name, rest in sensors.items():
            if rest.gyro_radps is not None:
                gyros.setdefault(name, []).append(rest.gyro_radps)
    for name, means in gyros.items():
        evidence.gyro_bias[file, name] = np.median(np.array(means), axis=0)
    for o in wanted:
        if o.kind != "single_joint" or o.window is None:
            continue
        found = {}
        for name, s in recording.samples.items():
            bias = evidence.gyro_bias.get((file, name))
            if bias is not None and (seen := swing(s, *o.window, bias)) is not None:
                found[name] = seen
        evidence.swings[o.id] = found
        evidence.motions[o.id] = Motion(
            o.id,
            file,
            o.window,
            {n: s.cut(o.window[0] - BEFORE_S, o.window[1]) for n, s in recording.samples.items()},
        )
        if not found:
            evidence.warnings.append(f"{o.id}: no gyro turned by more than 5° in its window")


def _label(o: Observation) -> str:
    return f"{o.file} {o.window[0]:g}–{o.window[1]:g} s" if o.window else o.id


def _three(a: Array) -> tuple[float, float, float]:
    return float(a[0]), float(a[1]), float(a[2])
