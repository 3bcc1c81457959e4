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
from tipdatum.calibration.deviations import LINKAGE_LEFT_M, for_description
from tipdatum.calibration.statistics import determined
from tipdatum.errors import ConfigError
from tipdatum.kinematics.frames import rpy_deg_from_rotation
from tipdatum.machine.description import Machine, parse_machine


def changes(solution: Solution) -> dict[str, Any]:
    """What the solution says, as keys of the machine description, nested, rounded to what they carry."""
    found = _values(solution)
    machine = parse_machine(_merged(_plain_machine(solution), found), "calibrated description")
    written = for_description(solution, machine)
    found["boom"]["length_sigma_m"] = _sigma(written.length["boom.length_m"])
    found["boom"]["foot_sigma_m"] = _sigma(
        max(written.length["boom.foot_m.x"], written.length["boom.foot_m.z"])
    )
    found["stick"]["length_sigma_m"] = _sigma(written.length["stick.length_m"])
    found["bucket"][0]["tip_sigma_m"] = _sigma(written.length["bucket.tip_m"])
    if "linkage" in found:
        found["linkage"]["length_sigma_m"] = LINKAGE_LEFT_M
    for name, entry in found["sensor"].items():
        entry["mount_sigma_deg"] = round(math.degrees(written.mount[name]), 4)
        if machine.sensor[name].type == "imu":
            left = math.hypot(written.bias[name], solution.setup.assume.turn_on_mps2)
            entry["noise"] = {"accel_bias_mps2": _sigma(left)}
    return found


def calibrated_machine(solution: Solution) -> Machine:
    """The machine as the solution says it is, with its old deviations."""
    return parse_machine(_merged(_plain_machine(solution), _values(solution)), "calibrated description")


def _plain_machine(solution: Solution) -> dict[str, Any]:
    return solution.setup.machine.model_dump(mode="json", exclude_none=True, exclude_defaults=True)


def _values(solution: Solution) -> dict[str, Any]:
    s = solution
    state, machine = s.state, s.setup.machine
    found: dict[str, Any] = {
        "boom": {
            "foot_m": [_m(state.foot[0]), machine.boom.foot_m[1], _m(state.foot[2])],
            "length_m": _m(state.lengths[0]),
        },
        "stick": {"length_m": _m(state.lengths[1])},
        "bucket": [{"tip_m": _m(state.lengths[2])}],
    }
    if state.linkage is not None:
        px, pz, rocker, link, ear, angle = (float(v) for v in state.linkage)
        linkage = {"rocker_pivot_m": [_m(px), _m(pz)], "rocker_m": _m(rocker), "link_m": _m(link)}
        ear_values = {"bucket_ear_m": _m(ear), "bucket_ear_angle_deg": round(math.degrees(angle), 3)}
        for key, value in ear_values.items():
            # A bucket that overrides its ear keeps doing so.
            overrides = getattr(machine.bucket[0], key) is not None
            (found["bucket"][0] if overrides else linkage)[key] = value
        found["linkage"] = linkage
    found["sensor"] = {}
    for i, name in enumerate(s.setup.sensors):
        sensor = machine.sensor[name]
        mount = [round(v, 4) for v in rpy_deg_from_rotation(state.mount[i])]
        entry: dict[str, Any] = {}
        overrides = sensor.body == "bucket" and machine.bucket[0].mount_rpy_deg is not None
        (found["bucket"][0] if overrides else entry)["mount_rpy_deg"] = mount
        if sensor.type == "imu":
            entry["accel_offset_mps2"] = [round(float(v), 5) for v in state.bias[i]]
            matrix = np.linalg.inv(state.gain[i])
            entry["accel_scale"] = [[round(float(v), 6) + 0.0 for v in row] for row in matrix]
            if (gyro := _gyro_bias(s, name)) is not None:
                entry["gyro_offset_radps"] = gyro
        found["sensor"][name] = entry
    return found


def provenance(solution: Solution, digest: str, date: str, predicted_m: float) -> dict[str, Any]:
    """The `[calibration]` table.

    Args:
        digest: of the observations file. date: RFC 3339.
        predicted_m: RMS of the tip's sigma over the envelope.
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
        "sigma": {d.name: _sigma(d.sigma) for d in determined(s) if ".accel_scale." not in d.name},
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
