"""A solution written into the machine description: values, deviations, provenance, nothing else touched.

tomlkit keeps comments and order of the file. The previous file stays beside it under its own name with
the time of the change, and what will change is shown before it is written.
"""

from __future__ import annotations

import difflib
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from tomlkit.items import InlineTable, Table

from tipdatum.calibration.adjustment import Solution
from tipdatum.errors import ConfigError
from tipdatum.kinematics.frames import rpy_deg_from_rotation
from tipdatum.machine import Machine, parse_machine


def changes(solution: Solution) -> dict[str, Any]:
    """What the solution says, as keys of the machine description, nested, rounded to what they carry."""
    s = solution
    state, machine, assume = s.state, s.setup.machine, s.setup.assume
    found: dict[str, Any] = {
        "boom": {
            "foot_m": [_m(state.foot[0]), machine.boom.foot_m[1], _m(state.foot[2])],
            "length_m": _m(state.lengths[0]),
            "length_sigma_m": _sigma(s.sigma("boom.length_m")),
            "foot_sigma_m": _sigma(max(s.sigma("boom.foot_m.x"), s.sigma("boom.foot_m.z"))),
        },
        "stick": {"length_m": _m(state.lengths[1]), "length_sigma_m": _sigma(s.sigma("stick.length_m"))},
        "bucket": [{"tip_m": _m(state.lengths[2]), "tip_sigma_m": _sigma(s.sigma("bucket.tip_m"))}],
    }
    if state.linkage is not None:
        px, pz, rocker, link, ear, angle = (float(v) for v in state.linkage)
        linkage = {"rocker_pivot_m": [_m(px), _m(pz)], "rocker_m": _m(rocker), "link_m": _m(link)}
        own = machine.bucket[0]
        ear_values = {"bucket_ear_m": _m(ear), "bucket_ear_angle_deg": round(math.degrees(angle), 3)}
        for key, value in ear_values.items():
            # A bucket that overrides its ear keeps doing so.
            (found["bucket"][0] if getattr(own, key) is not None else linkage)[key] = value
        spread = [s.sigma(f"linkage.{n}") for n in ("rocker_pivot_x", "rocker_m", "link_m", "bucket_ear_m")]
        linkage["length_sigma_m"] = _sigma(float(np.mean(spread)))
        found["linkage"] = linkage
    sensors: dict[str, Any] = {}
    for i, name in enumerate(s.setup.sensors):
        sensor = machine.sensor[name]
        roll, pitch, yaw = rpy_deg_from_rotation(state.mount[i])
        mount = [round(roll, 4), round(pitch, 4), round(yaw, 4)]
        entry: dict[str, Any] = {}
        if sensor.body == "bucket" and machine.bucket[0].mount_rpy_deg is not None:
            found["bucket"][0]["mount_rpy_deg"] = mount
        else:
            entry["mount_rpy_deg"] = mount
        # The pitch of a mount is what moves the tip; roll and yaw are known about as well or matter less.
        entry["mount_sigma_deg"] = round(math.degrees(s.sigma(f"sensor.{name}.mount.pitch")), 4)
        if sensor.type == "imu":
            bias = [s.sigma(f"sensor.{name}.accel_bias.{a}") for a in "xyz"]
            entry["accel_offset_mps2"] = [round(float(v), 5) for v in state.bias[i]]
            matrix = np.linalg.inv(state.gain[i])
            entry["accel_scale"] = [[round(float(v), 6) + 0.0 for v in row] for row in matrix]
            gyro = _gyro_bias(s, name)
            if gyro is not None:
                entry["gyro_offset_radps"] = gyro
            left = math.hypot(float(np.sqrt(np.mean(np.square(bias)))), assume.turn_on_mps2)
            entry["noise"] = {"accel_bias_mps2": _sigma(left)}
        sensors[name] = entry
    found["sensor"] = sensors
    return found


def calibrated_machine(solution: Solution) -> Machine:
    """The machine as the solution says it is."""
    old = solution.setup.machine.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    return parse_machine(_merged(old, changes(solution)), "calibrated description")


def provenance(solution: Solution, digest: str, date: str, predicted_m: float) -> dict[str, Any]:
    """The `[calibration]` table.

    Args:
        digest: of the observations file. date: RFC 3339. predicted_m: RMS of the tip's sigma over the envelope.
    """
    s = solution
    methods = sorted({o.method or o.kind for o in s.setup.observations})
    return {
        "date": date,
        "methods": methods,
        "observations": len(s.setup.observations),
        "observations_sha256": digest,
        "rejected": list(s.rejected),
        "variance_factor": round(float(s.factor) ** 2, 3),
        "degrees_of_freedom": int(s.degrees),
        "tip_sigma_m": _sigma(predicted_m),
    }


def rewritten(text: str, values: Mapping[str, Any], calibration: Mapping[str, Any] | None = None) -> str:
    """The description's text with new values; comments, order and everything else as they were."""
    document = tomlkit.parse(text)
    _update(document, values)
    if calibration is None:
        return tomlkit.dumps(document)
    if "calibration" in document:
        del document["calibration"]
    table = tomlkit.table()
    for key, value in calibration.items():
        table[key] = value
    document["calibration"] = table
    return tomlkit.dumps(document)


def fresh(machine: Mapping[str, Any]) -> str:
    """A description's text from plain data, for a machine that so far only stands in a recording."""
    return tomlkit.dumps(dict(machine))


def difference(before: str, after: str, name: str) -> str:
    """Unified diff, for a person to read before saying yes."""
    lines = difflib.unified_diff(
        before.splitlines(), after.splitlines(), f"{name} (now)", f"{name} (calibrated)", n=1, lineterm=""
    )
    return "\n".join(lines)


def write(path: Path, text: str, stamp: str) -> Path | None:
    """Write the description; an existing one is kept as `name.STAMP.toml` beside it.

    Returns:
        The kept file, None if there was none.

    Raises:
        ConfigError: it cannot be written.
    """
    kept = path.with_name(f"{path.stem}.{stamp}{path.suffix}") if path.exists() else None
    partial = path.with_name(path.name + ".part")
    try:
        if kept is not None:
            kept.write_bytes(path.read_bytes())
        with partial.open("w", encoding="utf-8") as handle:
            handle.write(text)
            handle.flush()
            os.fsync(handle.fileno())
        partial.replace(path)
    except OSError as error:
        raise ConfigError(str(path), "", error.strerror or str(error), "a place to write to") from None
    return kept


def _update(into: Any, values: Mapping[str, Any]) -> None:
    for key, value in values.items():
        if isinstance(value, Mapping):
            if key not in into:
                into[key] = tomlkit.table()
            _update(into[key], value)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for entry, new in zip(into[key], value, strict=False):
                _update(entry, new)
        elif key not in into or _plain(into[key]) != value:
            if isinstance(into, Table) and not isinstance(into, InlineTable) and key not in into:
                into.append(key, value)
            else:
                into[key] = value


def _plain(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item


def _merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    found = dict(old)
    for key, value in new.items():
        if isinstance(value, Mapping):
            found[key] = _merged(found.get(key, {}), value)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            entries = list(found[key])
            for i, entry in enumerate(value):
                entries[i] = _merged(entries[i], entry)
            found[key] = entries
        else:
            found[key] = value
    return found


def _gyro_bias(solution: Solution, name: str) -> list[float] | None:
    seen = [b for (_, sensor), b in solution.setup.evidence.gyro_bias.items() if sensor == name]
    if not seen:
        return None
    return [round(float(v), 6) for v in np.mean(seen, axis=0)]


def _m(value: float) -> float:
    return round(float(value), 5)


def _sigma(value: float) -> float:
    """Two significant figures are all that a deviation carries."""
    return float(f"{value:.2g}")
