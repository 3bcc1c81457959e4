"""Buckets that have a file of their own, so that one is described once for all machines that carry it.

A machine names them in place of their tables, relative to its own file:

    bucket = "../buckets/trenching-600.toml"
    bucket = ["../buckets/trenching-600.toml", "../buckets/ditching-1800.toml"]

or in a table, where what stands beside `file` goes before what the file says; that is where a calibration
writes what holds on this machine alone:

    [[bucket]]
    file = "../buckets/trenching-600.toml"
    tip_m = 1.302

Everything behind this module, recordings too, knows whole tables alone.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tipdatum.errors import ConfigError
from tipdatum.machine.parts import Bucket
from tipdatum.machine.refused import refuse_keys
from tipdatum.validation import load_toml, parse_model, shown

FILE = "file"


def with_buckets(data: Mapping[str, Any], path: Path) -> dict[str, Any]:
    """A machine's document with the tables of its buckets in place of the files that it names.

    Args:
        path: of the machine's file, which the others are relative to.

    Raises:
        ConfigError: a bucket's file is not there, or wrong; names that file and its key.
    """
    named = data.get("bucket")
    if isinstance(named, str):
        return {**data, "bucket": [_read(named, path, "bucket")]}
    if not isinstance(named, list):
        return dict(data)
    return {**data, "bucket": [_whole(one, path, f"bucket[{i}]") for i, one in enumerate(named)]}


def _whole(one: Any, path: Path, key: str) -> Any:
    if isinstance(one, str):
        return _read(one, path, key)
    if not isinstance(one, Mapping) or FILE not in one:
        return one
    named = one[FILE]
    if not isinstance(named, str):
        raise ConfigError(str(path), f"{key}.{FILE}", shown(named), "the path of a bucket's file")
    return {**_read(named, path, f"{key}.{FILE}"), **{k: v for k, v in one.items() if k != FILE}}


def _read(named: str, path: Path, key: str) -> dict[str, Any]:
    place = path.parent / os.path.expanduser(named)  # noqa: PTH111 - pathlib's raises for an unknown user
    if not os.path.exists(place):  # noqa: PTH110 - pathlib's raises for a name that no file can have
        found = f"{shown(named)}, which does not exist"
        raise ConfigError(str(path), key, found, "the path of a bucket's file, relative to this one")
    plain = Path(os.path.normpath(place))
    return read_bucket(plain if plain.exists() and plain.samefile(place) else place)


def read_bucket(path: Path) -> dict[str, Any]:
    """The keys of a bucket's file, each valid by itself.

    Raises:
        ConfigError: names the file and the first key that is wrong.
    """
    data = load_toml(path)
    for table, what in (("boom", "a machine's description"), ("bucket", "a list of buckets")):
        if table in data:
            expected = (
                "name, tip_m, width_m and what else is known of one bucket, without a table around them"
            )
            raise ConfigError(str(path), table, what, expected)
    refuse_keys(data, "bucket", str(path))
    parse_model(Bucket, data, str(path))
    return data
