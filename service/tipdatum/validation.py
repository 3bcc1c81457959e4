"""From a data model's refusal to one clear sentence: file, key, what was found, what is expected."""

from __future__ import annotations

import difflib
import tomllib
import typing
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tipdatum.errors import ConfigError, InputError, UnknownKeyError
from tipdatum.model_places import (
    Bounds,
    Location,
    alternatives,
    at,
    bare,
    is_table,
    keys_at,
    text_for_number,
    without_branches,
)
from tipdatum.sentences import joined, sentence
from tipdatum_drivers.options import Misfit

__all__ = ["Misfit", "all_in_one", "config_error", "dotted", "load_toml", "parse_model", "shown", "value_at"]

Model = TypeVar("Model", bound=BaseModel)

UNITS: tuple[tuple[str, str], ...] = (
    ("_mps2", "m/s²"), ("_radps", "rad/s"), ("_deg", "degrees"), ("_hz", "Hz"), ("_m", "metres"),
    ("_s", "seconds"), ("_min", "minutes"), ("_mb", "megabytes"),
)  # fmt: skip
"""Suffix of a key → unit of its value."""

MISTAKEN_FOR: dict[str, tuple[tuple[str, float], ...]] = {
    "metres": (
        (sentence("unit-millimetres"), 0.001), (sentence("unit-centimetres"), 0.01),
        (sentence("unit-inches"), 0.0254), (sentence("unit-feet"), 0.3048),
    ),
    "seconds": ((sentence("unit-milliseconds"), 0.001),),
}  # fmt: skip
"""Units that people have at hand instead, and what one of them is in the unit that is asked for."""


def parse_model(model: type[Model], data: Mapping[str, Any], file: str, under: str = "") -> Model:
    """`data` as `model`. A number has to be written as one: "4.6" in quotation marks is refused, as is true.

    Args:
        file: as the user gave it. under: path of the table that `data` is, such as "driver[0]".

    Raises:
        ConfigError: the first thing that is wrong, by file, key, found and expected; the others are its
            `more`.
    """
    try:
        parsed = model.model_validate(dict(data))
    except RecursionError:
        raise ConfigError(file, under, "lists in lists without end", "values as documented") from None
    except ValidationError as error:
        raise all_in_one(config_errors(error, model, file, under)) from None
    mistaken = []
    for location in text_for_number(model, data):
        annotation, bounds = at(model, location)
        key = dotted([under, *location] if under else location)
        found = shown(value_at(data, location))
        mistaken.append(ConfigError(file, key, found, _expectation(annotation, bounds, _unit(location))))
    if mistaken:
        raise all_in_one(mistaken)
    return parsed


def config_error(error: ValidationError, model: type[BaseModel], file: str, under: str = "") -> ConfigError:
    """The first complaint of `error` in this project's words."""
    return config_errors(error, model, file, under)[0]


def config_errors(
    error: ValidationError, model: type[BaseModel], file: str, under: str = ""
) -> list[ConfigError]:
    """Every complaint of `error` in this project's words, one a key."""
    # An unknown key usually explains the missing one beside it, so it comes first.
    ordered = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    said = [_config_error(one, model, file, under) for one in ordered]
    return list({one.key: one for one in reversed(said)}.values())[::-1]


def all_in_one(errors: Sequence[InputError]) -> InputError:
    """The first of several errors, which holds the others as `more`."""
    first, *others = [one for error in errors for one in (error, *error.more)]
    first.more = tuple(others)
    return first


def _config_error(first: ErrorDetails, model: type[BaseModel], file: str, under: str) -> ConfigError:
    location = without_branches(model, first["loc"])
    path = ([under] if under else []) + location
    if first["type"] == "extra_forbidden":
        known = sorted(keys_at(model, location[:-1]))
        near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
        return UnknownKeyError(file, dotted(path), near[0] if near else None, known)
    cause = first.get("ctx", {}).get("error")
    if isinstance(cause, Misfit):
        return ConfigError(file, dotted([*path, *filter(None, [cause.key])]), cause.found, cause.expected)
    if first["type"] == "missing" and isinstance(location[-1], int):
        # Of a list that is too short its missing entry is reported; the list says it better.
        location, path, first["type"] = location[:-1], path[:-1], "too_short"
    found, expected = _found_and_expected(first, model, location)
    return ConfigError(file, dotted(path), found, expected)


def dotted(location: Location) -> str:
    """A location as people write it: bucket[1].tip_m."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def value_at(data: Any, location: Location) -> Any:
    """What stands at a location of plain data."""
    for part in location:
        data = data[part]
    return data


def shown(value: object) -> str:
    """A value as it stands in the file, short enough for one line."""
    if value is None:
        return "nothing"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    try:
        text = f'"{value}"' if isinstance(value, str) else repr(value)
    except (RecursionError, ValueError):  # lists in lists without end, a number of thousands of digits
        return "a value too long to show"
    return text if len(text) <= 60 else text[:57] + "..."


def _found_and_expected(error: ErrorDetails, model: type[BaseModel], location: Location) -> tuple[str, str]:
    annotation, bounds = at(model, location)
    unit = _unit(location)
    expected = _expectation(annotation, bounds, unit)
    kind, value = error["type"], error["input"]
    if kind == "missing":
        return "nothing", joined(expected, sentence("expect-required"))
    if kind == "value_error":
        return shown(value), str(error.get("ctx", {}).get("error", error["msg"]))
    if kind.startswith(("less_than", "greater_than")) and isinstance(value, (int, float)):
        return joined(shown(value), _unit_hint(float(value), unit, bounds)), expected
    if kind in ("too_long", "too_short") and not isinstance(value, str) and isinstance(value, Sequence):
        return f"a list of {len(value)}" if value else "an empty list", expected
    if kind == "finite_number":
        return shown(value), joined(sentence("expect-finite"), *_within_what(unit, bounds))
    if kind == "string_too_short":
        return shown(value), joined(expected, sentence("expect-not-empty"))
    if kind == "string_pattern_mismatch":
        return shown(value), f"{expected} that matches {error['ctx']['pattern']}"
    return shown(value), expected if expected else error["msg"][:1].lower() + error["msg"][1:]


def _unit(location: Location) -> str:
    names = [part for part in location if isinstance(part, str)]
    return next((unit for suffix, unit in UNITS if names and names[-1].endswith(suffix)), "")


def _unit_hint(value: float, unit: str, bounds: Bounds) -> str:
    """In which unit a number would fit: 4600 as a boom's length → ", which looks like millimetres"."""
    fits = [name for name, factor in MISTAKEN_FOR.get(unit, ()) if _within(value * factor, bounds)]
    if not fits or abs(value) <= 1:
        return ""
    return sentence("looks-like", units=_alternatives(fits))


def _within(value: float, bounds: Bounds) -> bool:
    return (
        bounds.get("gt", float("-inf")) < value < bounds.get("lt", float("inf"))
        and bounds.get("ge", value) <= value <= bounds.get("le", value)
    )  # fmt: skip


def _expectation(annotation: Any, bounds: Bounds, unit: str) -> str:
    """What may stand at a key, in words: "a number in metres, above 0.3 and at most 30"."""
    if len(choices := alternatives(annotation)) > 1:
        return _alternatives(list(dict.fromkeys(_expectation(choice, bounds, unit) for choice in choices)))
    kind, items = bare(annotation)
    in_unit = f" in {unit}" if unit else ""
    if kind in (float, int):
        number = sentence("expect-number") if kind is float else sentence("expect-whole")
        return joined(number, *_within_what(unit, bounds))
    if kind is typing.Literal:
        return sentence("expect-one-of", names=", ".join(shown(item) for item in items))
    if kind is tuple or kind is list:
        return _list_expectation(items, in_unit, of_any_length=kind is list or Ellipsis in items)
    if is_table(kind) or kind is dict:
        return "a table"
    simple: dict[Any, str] = {str: sentence("expect-text"), bool: sentence("expect-bool"), Path: "a path"}
    # A length limit on a text or a list is not a range of its value.
    return simple.get(kind, "a value")


def _alternatives(texts: Sequence[str]) -> str:
    first, *others = texts
    return joined(first, *(part for other in others for part in (sentence("expect-or"), other)))


def _within_what(unit: str, bounds: Bounds) -> list[str]:
    """Unit and range of a number, as they follow its kind."""
    said: list[str] = [sentence("expect-in", unit=unit)] if unit else []
    if "ge" in bounds and "le" in bounds:
        return [*said, sentence("expect-from-to", least=bounds["ge"], most=bounds["le"])]
    ends = [
        *([sentence("expect-above", bound=bounds["gt"])] if "gt" in bounds else []),
        *([sentence("expect-at-least", bound=bounds["ge"])] if "ge" in bounds else []),
        *([sentence("expect-below", bound=bounds["lt"])] if "lt" in bounds else []),
        *([sentence("expect-at-most", bound=bounds["le"])] if "le" in bounds else []),
    ]
    return [
        *said,
        *(part for end in ends for part in (sentence("expect-and") if end is not ends[0] else ", ", end)),
    ]


def _list_expectation(items: tuple[Any, ...], in_unit: str, *, of_any_length: bool) -> str:
    first, inner = bare(items[0]) if items else (None, ())
    if is_table(first):
        return "at least one table, written in double brackets"
    if first is tuple:
        return f"a list of lists of {len(inner)} numbers{in_unit}"
    names: dict[Any, str] = {float: "numbers", int: "numbers", str: "texts", Path: "paths"}
    what = names.get(first, "values")
    return f"a list of {what}{in_unit}" if of_any_length else f"a list of {len(items)} {what}{in_unit}"


MOST_BYTES = 4 << 20
"""Of a file that people write; it keeps a device or a recording given by mistake out of the memory."""


def utf8_text(raw: bytes, file: str) -> str:
    """Bytes as text; raises ConfigError for what is not plain UTF-8."""
    if raw.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        found = "UTF-8 with a byte order mark" if raw[0] == 0xEF else "UTF-16"
        raise ConfigError(
            file, "", f"{found} at the beginning", 'text saved as "UTF-8", without a mark (BOM)'
        )
    try:
        return raw.decode()
    except UnicodeDecodeError as error:
        line, bad = raw.count(b"\n", 0, error.start) + 1, raw[error.start : error.start + 1]
        letter = bad.decode("latin-1")
        found = f"a byte 0x{bad.hex().upper()} in line {line}"
        if letter.isprintable():
            found += f', which is "{letter}" in Latin-1'
        raise ConfigError(file, "", found, 'text saved as "UTF-8"') from None


def load_toml(path: Path) -> dict[str, Any]:
    """A TOML document.

    Raises:
        ConfigError: the file is missing, a directory, not readable or not TOML.
    """
    try:
        with path.open("rb") as handle:
            raw = handle.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise ConfigError(str(path), "", f"more than {MOST_BYTES >> 20} MB", "a TOML file")
        return tomllib.loads(utf8_text(raw, str(path)))
    except FileNotFoundError:
        raise ConfigError(str(path), "", "no such file", "a TOML file") from None
    except IsADirectoryError:
        raise ConfigError(str(path), "", "a directory", "a TOML file") from None
    except RecursionError:
        raise ConfigError(str(path), "", "brackets in brackets without end", "a TOML file") from None
    except ValueError as error:
        # Beside what TOML refuses: a whole number of thousands of digits, a date that does not exist.
        raise ConfigError(str(path), "", f"broken TOML ({error})", "a TOML file") from None
    except OSError as error:
        raise ConfigError(str(path), "", error.strerror or str(error), "a readable TOML file") from None
