"""A solution written into the machine description: values, deviations, provenance, nothing else touched.

tomlkit keeps comments and order of the file. The previous file stays beside it under its own name with
the time of the change, and what will change is shown before it is written.
"""

from __future__ import annotations

import copy
import difflib
import math
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from tomlkit.items import InlineTable, Table

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.deviations import LINKAGE_LEFT_M, for_description, spread
from tipdatum.calibration.joints import ZERO, add_joints, cut
from tipdatum.calibration.statistics import determined
from tipdatum.calibration.swings import Part
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.errors import ConfigError
from tipdatum.kinematics.frames import rpy_deg_from_rotation
from tipdatum.machine.bucket_files import FILE, with_buckets
from tipdatum.machine.coupler import BODY, Coupler, turn_rad, uncoupled_axis, uncoupled_sensor
from tipdatum.machine.description import Machine, parse_machine, parse_machine_file, values_digest
from tipdatum.machine.parts import Bucket
from tipdatum.results import appearing_whole

SCALED = (
    "mount_sigma_deg and accel_bias_mps2 are what each is known to times {factor}, and a linkage's share is "
    "in its sensor's mount: added independently to the lengths' deviations they give what is known of the tip"
)
"""What the deviations of mounts are, for whoever compares them with `[calibration.sigma]`."""


def changes(
    solution: Solution, figures: TipFigures | None = None, parts: Mapping[str, Part] | None = None
) -> dict[str, Any]:
    """What the solution says, as keys of the machine description, nested, rounded to what they carry.

    Args:
        figures: of `calibrated_machine(solution)`, for whoever has them.
        parts: what motions show of the sensors, for the filter to start from.
    """
    found = _values(solution)
    figures = figures or TipFigures(calibrated_machine(solution))
    machine = figures.machine
    written = for_description(solution, figures)
    found["boom"]["length_sigma_m"] = _sigma(written.length["boom.length_m"])
    found["boom"]["foot_sigma_m"] = _sigma(
        max(written.length["boom.foot_m.x"], written.length["boom.foot_m.z"])
    )
    if "second_boom" in found:
        found["second_boom"]["length_sigma_m"] = _sigma(written.length["second_boom.length_m"])
    found["stick"]["length_sigma_m"] = _sigma(written.length["stick.length_m"])
    found["bucket"][0]["tip_sigma_m"] = _sigma(written.length["bucket.tip_m"])
    if "linkage" in found:
        found["linkage"]["length_sigma_m"] = LINKAGE_LEFT_M
    for name, sigma in written.mount.items():
        entry = found["sensor"][name]
        entry["mount_sigma_deg"] = round(math.degrees(sigma), 4)
        if machine.sensor[name].type == "imu":
            left = math.hypot(written.bias[name], solution.setup.assume.turn_on_mps2)
            entry["noise"] = {"accel_bias_mps2": _sigma(left)}
    if (told := machine.swing_sensor) is not None:
        found["sensor"][told]["mount_sigma_deg"] = round(math.degrees(solution.sigma(ZERO)), 4)
    for name, part in (parts or {}).items():
        _add_part(found, machine, name, part)
    return found


def _add_part(found: dict[str, Any], machine: Machine, name: str, part: Part) -> None:
    entry, bucket = found["sensor"][name], machine.bucket[0]
    position = [round(float(v), 3) for v in part.position_m]
    overrides = machine.sensor[name].body == "bucket" and bucket.position_m is not None
    (found["bucket"][0] if overrides else entry)["position_m"] = position
    # One figure for three axes; across the arm a motion shows least.
    entry["position_sigma_m"] = _sigma(float(np.sqrt(np.mean(np.square(part.position_sigma_m)))))
    entry["gyro_scale"] = [round(float(v), 5) for v in part.gyro_scale]
    entry["gyro_scale_sigma"] = [_sigma(float(v)) for v in part.gyro_scale_sigma]
    entry["latency_s"] = round(part.latency_s, 4)


def calibrated_machine(solution: Solution) -> Machine:
    """The machine as the solution says it is, with its old deviations."""
    return parse_machine(merged(plain_machine(solution), _values(solution)), "calibrated description")


def plain_machine(solution: Solution) -> dict[str, Any]:
    """The machine as it was described, without what an earlier calibration said of it."""
    return solution.setup.machine.model_dump(
        mode="json", exclude_none=True, exclude_defaults=True, exclude={"calibrated", "calibration"}
    )


def _values(solution: Solution) -> dict[str, Any]:
    s = solution
    state, machine = s.state, s.setup.machine
    foot = [cut(state.foot[0]), machine.boom.foot_m[1], cut(state.foot[2])]
    found: dict[str, Any] = {
        "boom": {"foot_m": foot, "length_m": cut(state.lengths[0])},
        "stick": {"length_m": cut(state.lengths[-2])},
        "bucket": [{"tip_m": cut(state.lengths[-1])}],
    }
    if machine.second_boom is not None:
        found["second_boom"] = {"length_m": cut(state.lengths[1])}
    if state.linkage is not None:
        px, pz, rocker, link, ear, angle = (float(v) for v in state.linkage)
        linkage = {"rocker_pivot_m": [cut(px), cut(pz)], "rocker_m": cut(rocker), "link_m": cut(link)}
        ear_values = {"bucket_ear_m": cut(ear), "bucket_ear_angle_deg": round(math.degrees(angle), 3)}
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
    add_joints(found, state.joints, machine)
    return found


def provenance(solution: Solution, figures: TipFigures, digest: str, date: str) -> dict[str, Any]:
    """The `[calibration]` table.

    Args:
        figures: of the calibrated machine. digest: of the observations file. date: RFC 3339.
    """
    s = solution
    methods = sorted({o.method or o.kind for o in s.setup.observations})
    factor = for_description(s, figures).factor
    return {
        "date": date,
        "methods": methods,
        "observations": len(s.setup.observations),
        "observations_sha256": digest,
        "rejected": list(s.rejected),
        "variance_factor": round(float(s.factor) ** 2, 3),
        "degrees_of_freedom": int(s.degrees),
        **({"note": SCALED.format(factor=f"{factor:.2f}")} if factor < 0.995 or s.setup.has_linkage else {}),
        "sigma": {d.name: _sigma(d.sigma) for d in determined(s) if ".accel_scale." not in d.name},
        "spread": spread(s, figures),
    }


def rewritten(
    text: str, values: Mapping[str, Any], tables: Mapping[str, Mapping[str, Any]] | None = None
) -> str:
    """The description's text with new values; comments, order and everything else as they were.

    Args:
        tables: name → a table that is written anew, such as `calibration`; an older one of that name goes.
    """
    document = tomlkit.parse(text)
    _update(document, values)
    text = _tidied(text, tomlkit.dumps(document))
    for name, content in (tables or {}).items():
        document = tomlkit.parse(text)
        if name in document:
            del document[name]
        table = tomlkit.document()
        table[name] = dict(content)
        text = tomlkit.dumps(document).rstrip() + "\n\n" + tomlkit.dumps(table)
    return text


def written(
    before: str, values: Mapping[str, Any], verdict: Mapping[str, Any], origin: Mapping[str, Any], name: str
) -> str:
    """The calibrated description's text: values, `[calibrated]` with the digest of them, and where from."""
    place = Path(name)
    text = rewritten(before, as_described(values, with_buckets(tomllib.loads(before), place)))
    digest = values_digest(parse_machine_file(tomllib.loads(text), place).model_dump(mode="json"))
    return rewritten(text, {}, {"calibrated": {**verdict, "values": digest}, "calibration": origin})


def as_described(values: Mapping[str, Any], data: Mapping[str, Any]) -> dict[str, Any]:
    """Values of a machine as it is computed with, as a file has to say them that describes a coupler.

    Args:
        data: the file's tables, those of its buckets in place.
    """
    told: dict[str, Any] = copy.deepcopy(dict(values))
    if "coupler" not in data or "pin_m" in data["bucket"][0]:
        return told
    coupler, bucket = Coupler(**data["coupler"]), Bucket(**data["bucket"][0])
    coupler = coupler.model_copy(update=told.get("coupler", {}))
    of_bucket = told.get("bucket", [{}])[0]
    of_bucket.pop("pin_m", None)
    axis = {key: of_bucket.pop(key) for key in ("tilt_axis_m", "tilt_axis_deg") if key in of_bucket}
    if axis:
        on = told.setdefault("coupler", {}) if coupler.tilt_axis_m is not None else of_bucket
        on.update(uncoupled_axis(coupler, bucket, axis["tilt_axis_m"], axis["tilt_axis_deg"]))
    ear = {key: of_bucket.pop(key) for key in ("bucket_ear_m", "bucket_ear_angle_deg") if key in of_bucket}
    if "bucket_ear_angle_deg" in ear:
        ear["bucket_ear_angle_deg"] = round(
            ear["bucket_ear_angle_deg"] + math.degrees(turn_rad(coupler, bucket)), 3
        )
    if ear:
        told["linkage"] = {**told.get("linkage", {}), **ear}
    for name, sensor in data.get("sensor", {}).items():
        if sensor.get("body") not in (BODY, "bucket") or sensor.get("type", "imu") not in ("imu", "tilt"):
            continue
        entry = told.get("sensor", {}).get(name, {})
        place = {key: part.pop(key) for key in PLACE for part in (of_bucket, entry) if key in part}
        for key, value in uncoupled_sensor(coupler, bucket, sensor["body"], place).items():
            (of_bucket if key in data["bucket"][0] else entry)[key] = value
    if "tip_sigma_m" in of_bucket and coupler.length_sigma_m is not None:
        # What is known of the tip by a calibration is known of both together.
        told.setdefault("coupler", {})["length_sigma_m"] = 0.0
    return told


PLACE = ("position_m", "mount_rpy_deg")


def fresh(machine: Mapping[str, Any]) -> str:
    """A description's text from plain data, for a machine that so far only stands in a recording."""
    return tomlkit.dumps(dict(machine))


def difference(before: str, after: str, name: str) -> str:
    """Unified diff, for a person to read before saying yes; tables that only programs read are counted."""
    lines = difflib.unified_diff(
        before.splitlines(), after.splitlines(), f"{name} (now)", f"{name} (calibrated)", n=1, lineterm=""
    )
    found: list[str] = []
    folded = 0
    for line in [*lines, "+["]:
        header = line[1:].startswith("[")
        if folded and header:
            found.append(f"{found.pop()}  … {folded} lines")
            folded = 0
        if not folded and not (found and found[-1][1:] in FOLDED and not header):
            found.append(line)
        else:
            folded += 1
    return "\n".join(found[:-1])


FOLDED = ("[calibration.sigma]", "[calibration.spread]")
"""Tables of which a difference shows the number of lines alone."""


def write(path: Path, text: str, stamp: str, expected: str | None = None) -> Path | None:
    """Write the description; an existing one is kept as `name.STAMP.toml` beside it.

    A link stays a link (what it points to is written), and the file keeps its mode.

    Args:
        expected: what the file held when `text` was made from it; None: anything.

    Returns:
        The kept file, None if there was none.

    Raises:
        ConfigError: it cannot be written, or holds something else by now.
    """
    real = Path(os.path.realpath(path))
    kept = path.with_name(f"{path.stem}.{stamp}{path.suffix}") if real.exists() else None
    try:
        now = real.read_bytes() if kept is not None else b""
        if expected is not None and now.decode("utf-8", "replace") != expected:
            raise ConfigError(
                str(path),
                "",
                "another text than was read: somebody changed it meanwhile",
                "the file as it was read",
            )
        mode = None if kept is None else real.stat().st_mode & 0o7777
        if kept is not None:
            with appearing_whole(kept, mode=mode, durable=True) as out:
                out.write(now)
        with appearing_whole(real, mode=mode, durable=True) as out:
            out.write(text.encode())
    except OSError as error:
        raise ConfigError(str(path), "", error.strerror or str(error), "a place to write to") from None
    return kept


def _update(into: Any, values: Mapping[str, Any]) -> None:
    for key, value in values.items():
        if isinstance(value, Mapping):
            if key not in into:
                # Inside a table on one line everything stays on that line.
                into[key] = tomlkit.inline_table() if isinstance(into, InlineTable) else tomlkit.table()
            _update(into[key], value)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            _give_tables(into, key, len(value))
            for entry, new in zip(into[key], value, strict=False):
                _update(entry, new)
        elif key not in into:
            _add(into, key, value)
        elif _plain(into[key]) != value:
            into[key] = value


def _give_tables(into: Any, key: str, count: int) -> None:
    """Where files are named in place of tables, the first ones become tables that name them."""
    if isinstance(into[key], str):
        into[key] = [str(into[key])]
    for i, entry in enumerate(list(into[key])[:count]):
        if isinstance(entry, str):
            table = tomlkit.inline_table()
            table[FILE] = str(entry)
            into[key][i] = table


def _add(table: Any, key: str, value: Any) -> None:
    if isinstance(table, Table) and not isinstance(table, InlineTable):
        table.append(key, value)
    else:
        table[key] = value


_HEADER = re.compile(r"\s*\[\[?[\w.\"' -]+\]\]?\s*(#.*)?")


def _tidied(before: str, after: str) -> str:
    """New keys brought up to the table that they belong to: tomlkit puts them after the empty lines below it.

    What stood in the text before keeps its lines and their order.
    """
    old, new = before.splitlines(), after.splitlines()
    found: list[str] = []
    for tag, _, _, start, end in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        part = new[start:end]
        next_is_header = end == len(new) or _HEADER.fullmatch(new[end]) is not None
        if tag != "insert" or not next_is_header or not part:
            found += part
            continue
        first = next((i for i, line in enumerate(part) if _HEADER.fullmatch(line)), len(part))
        keys, tables = part[:first], part[first:]
        between: list[str] = []
        while found and (not found[-1].strip() or found[-1].lstrip().startswith("#")):
            between.insert(0, found.pop())
        while keys and not keys[-1].strip():
            keys.pop()
        while tables and not tables[-1].strip():
            tables.pop()
        found += keys + (["", *tables] if tables else [])
        found += between or ([""] if tables and end < len(new) else [])
    return "\n".join(found) + "\n"


def _plain(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item


def merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """Plain data with other plain data written over it, table by table."""
    found = dict(old)
    for key, value in new.items():
        if isinstance(value, Mapping):
            found[key] = merged(found.get(key, {}), value)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            entries = list(found[key])
            for i, entry in enumerate(value):
                entries[i] = merged(entries[i], entry)
            found[key] = entries
        else:
            found[key] = value
    return found


def _gyro_bias(solution: Solution, name: str) -> list[float] | None:
    seen = [b for (_, sensor), b in solution.setup.evidence.gyro_bias.items() if sensor == name]
    if not seen:
        return None
    return [round(float(v), 6) for v in np.mean(seen, axis=0)]


def _sigma(value: float) -> float:
    """Two significant figures are all that a deviation carries."""
    return float(f"{value:.2g}")
