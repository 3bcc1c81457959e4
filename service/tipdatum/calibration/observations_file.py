"""The observations file on the disk: read as TOML or JSON, written so that a person's own lines stay."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import tomlkit

from tipdatum.calibration.observations import FORMAT, VERSION, ObservationBook
from tipdatum.errors import ConfigError
from tipdatum.results import appearing_whole
from tipdatum.validation import parse_model, utf8_text


def load_observations(path: Path) -> ObservationBook:
    """An observations file, TOML or JSON.

    Raises:
        ConfigError: it cannot be read, or an entry is wrong (file, key, found, expected).
    """
    name = str(path)
    try:
        text = utf8_text(path.read_bytes(), name)
    except FileNotFoundError:
        raise ConfigError(name, "", "no such file", "an observations file (TOML or JSON)") from None
    except OSError as error:
        raise ConfigError(name, "", str(error), "a readable observations file") from None
    data: Any
    try:
        data = _json(text, name, path.suffix) if text.lstrip()[:1] in ("{", "[") else _toml(text, name)
    except RecursionError:
        raise ConfigError(name, "", "brackets in brackets without end", "an observations file") from None
    if isinstance(data, list):
        data = {"observation": data}
    try:
        return parse_model(ObservationBook, data, name)
    except ConfigError as error:
        raise _by_id(error, data) from None


def _by_id(error: ConfigError, data: Any) -> ConfigError:
    """The error with the id of the entry beside its number, which nobody counts."""
    found = re.match(r"(rest|swing|observation)\[(\d+)\]", error.key)
    entries = data.get(found[1], []) if found and isinstance(data, dict) else []
    if found is None or int(found[2]) >= len(entries) or not isinstance(entries[int(found[2])], dict):
        return error
    name = entries[int(found[2])].get("id")
    if not isinstance(name, str):
        return error
    key = f'{found[1]} "{name}"{error.key[found.end() :]}'
    told = str(error).removeprefix(f"{error.file}: {error.key}: ")
    return ConfigError(error.file, key, error.found, error.expected, text=told)


def _json(text: str, name: str, suffix: str) -> Any:
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        if text.lstrip()[0] == "[" and suffix != ".json":
            return _toml(text, name)  # whose tables begin with a bracket, too
        raise ConfigError(name, f"line {error.lineno}", error.msg, "JSON") from None
    except ValueError as error:  # a whole number of thousands of digits
        raise ConfigError(name, "", f"broken JSON ({error})", "an observations file") from None


def _toml(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as error:
        raise ConfigError(name, "", f"broken TOML ({error})", "an observations file") from None


def save_observations(path: Path, book: ObservationBook) -> None:
    """Write the book; entries and comments that a person wrote into an existing TOML file stay.

    Entries are told apart by their id: new ones are appended, changed ones replaced. The file is written
    beside its place and renamed, so that a power cut leaves the old one or the new one.

    Raises:
        ConfigError: an existing file is not ours or cannot be written.
    """
    if path.suffix == ".json":
        text = json.dumps(book.model_dump(mode="json", exclude_defaults=False), indent=1) + "\n"
    else:
        text = _toml_text(path, book)
    try:
        with appearing_whole(path, durable=True) as out:
            out.write(text.encode())
    except OSError as error:
        raise ConfigError(str(path), "", error.strerror or str(error), "a place to write to") from None


def _toml_text(path: Path, book: ObservationBook) -> str:
    # tomlkit's items are untyped containers in practice; Any says so.
    document: Any = tomlkit.parse(path.read_text(encoding="utf-8")) if path.exists() else tomlkit.document()
    plain = book.model_dump(mode="json", exclude_defaults=True)
    document["format"], document["version"] = FORMAT, VERSION
    for key in ("machine", "note"):
        if plain.get(key):
            document[key] = plain[key]
    if plain.get("assume"):
        if "assume" not in document:
            document["assume"] = tomlkit.table()
        for key, value in plain["assume"].items():
            if document["assume"].get(key) != value:
                document["assume"][key] = value
    for name in ("rest", "swing", "observation"):
        entries = plain.get(name, [])
        if not entries:
            continue
        if name not in document:
            document[name] = tomlkit.aot()
        present = {str(e["id"]): e for e in document[name]}
        for entry in entries:
            old = present.get(entry["id"])
            if old is None:
                document[name].append(tomlkit.item(entry))
                continue
            for key, value in entry.items():
                if old.get(key) != value:
                    old[key] = value
        wanted = {e["id"] for e in entries}
        for i in reversed(range(len(document[name]))):
            if str(document[name][i]["id"]) not in wanted:
                del document[name][i]
    return tomlkit.dumps(document)
