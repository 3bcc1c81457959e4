"""Asking for what an option did not say: at a terminal again until it makes sense, in a script never."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import tomlkit
import typer

from tipdatum.errors import ConfigError, InputError
from tipdatum.grade.units import parse_length
from tipdatum.validation import load_toml

T = TypeVar("T")

ARROWS = {
    "along": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
}
"""Directions of a body's frame, with the arm thought stretched out level away from the cab."""


class Questions:
    """Turns an option's text, an answers file's, or the answer of whoever sits there, into a value.

    Args:
        interactive: ask; otherwise a missing answer takes its default or is refused.
        answers: by key, from a file that is called `file`.

    Attributes:
        kept: what was answered, by key, in order; so that nobody is asked twice.
        usual: keys whose default was taken, by nobody's word.
    """

    def __init__(self, interactive: bool, answers: Mapping[str, str] | None = None, file: str = "") -> None:
        self.interactive = interactive
        self._answers, self._file = dict(answers or {}), file
        self.kept: dict[str, str] = {}
        self.usual: dict[str, str] = {}

    def ask(
        self,
        key: str,
        given: str | None,
        question: str,
        parse: Callable[[str], T],
        default: str | None = None,
        option: str | None = None,
    ) -> T:
        """One value.

        Args:
            key: its name in an answers file. given: what the command line said.
            parse: raises InputError with what is wrong. option: the command line's, where it is not --key.

        Raises:
            InputError: what was given makes no sense, or is missing, cannot be asked for and has no default.
        """
        where = option or "--" + key.replace("_", "-")
        if given is None and key in self._answers:
            given, where = self._answers[key], f"{self._file}: {key}"
        if given is None and self.interactive:
            text, value = self._asked(question, parse, default)
        else:
            found = given if given is not None else default
            if found is None:
                told = f"{where} is missing ({question[:1].lower()}{question[1:]})"
                raise InputError(f"{told}; tipdatum new --template prints a file of all answers to fill in")
            try:
                text, value = found, parse(found)
            except InputError as error:
                raise InputError(f"{where}: {error}") from None
        self.kept[key] = text
        if given is None and text == default:
            self.usual[key] = text
        return value

    def has(self, key: str) -> bool:
        """Whether the answers file answers this."""
        return key in self._answers

    def _asked(self, question: str, parse: Callable[[str], T], default: str | None) -> tuple[str, T]:
        while True:
            answer = typer.prompt(question, default=default, type=str)
            try:
                return answer, parse(answer)
            except InputError as error:
                typer.echo(f"  {error}")


def read_answers(path: Path, keys: Iterable[str]) -> dict[str, str]:
    """The answers of a file by their keys, as text; numbers and lists of them may stand as such.

    Raises:
        InputError: it cannot be read, or has a key that is none of `keys`.
    """
    known = list(keys)
    found: dict[str, str] = {}

    def collect(table: Mapping[str, object], before: str) -> None:
        for name, value in table.items():
            key = f"{before}{name}"
            if isinstance(value, Mapping):
                collect(value, f"{key}.")
            elif key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                raise ConfigError(
                    str(path), key, "an unknown key", f'"{near[0]}"?' if near else ", ".join(known)
                )
            else:
                found[key] = ", ".join(map(str, value)) if isinstance(value, list) else str(value)

    collect(load_toml(path), "")
    return found


def written_answers(answers: Mapping[str, str]) -> str:
    """Answers as the text of a file that `read_answers` reads."""
    document = tomlkit.document()
    for key, text in answers.items():
        table: Any = document
        *tables, name = key.split(".")
        for part in tables:
            if part not in table:
                table[part] = tomlkit.table(is_super_table=part == "sensor")
            table = table[part]
        table[name] = text
    return tomlkit.dumps(document)


def length(text: str) -> float:
    """A length in m; a bare number is metres."""
    return round(parse_length(text, bare="m"), 4)


def between(low: float, high: float) -> Callable[[str], float]:
    """Parser for a length above `low` and up to `high`, m."""

    def parse(text: str) -> float:
        value = length(text)
        if not low < value <= high:
            raise InputError(
                f"{value:g} m cannot be: above {low:g} m and at most {high:g} m (write 460 cm, 4600 mm)"
            )
        return value

    return parse


def lengths(count: int) -> Callable[[str], tuple[float, ...]]:
    """Parser for so many lengths separated by commas, or by semicolons where commas are decimal."""

    def parse(text: str) -> tuple[float, ...]:
        parts = text.split(";" if ";" in text else ",")
        if len(parts) != count:
            raise InputError(f'"{text}" is not {count} lengths separated by commas, but {len(parts)}')
        return tuple(length(part) for part in parts)

    return parse


def number(text: str) -> float:
    """A plain number."""
    try:
        return float(text)
    except ValueError:
        raise InputError(f'"{text}" is not a number') from None


def words(text: str) -> str:
    """A text that is not empty and has no line breaks or quotation marks."""
    if not text.strip() or any(c in text for c in '"\\\n\r\t'):
        raise InputError("a name without quotation marks, please")
    return text.strip()


def one_of(*allowed: str) -> Callable[[str], str]:
    """Parser for one of a few words."""

    def parse(text: str) -> str:
        if text.strip().lower() not in allowed:
            raise InputError(f'"{text}" is none of {", ".join(allowed)}')
        return text.strip().lower()

    return parse


def arrows(text: str) -> tuple[str, str]:
    """Where the x and the z arrow of a sensor point: two words of `ARROWS` square to each other."""
    found = text.lower().replace(",", " ").split()
    if len(found) != 2 or any(word not in ARROWS for word in found):
        raise InputError(f"two words, for the x and the z arrow, out of {', '.join(ARROWS)}")
    if any(a * b for a, b in zip(ARROWS[found[0]], ARROWS[found[1]], strict=True)):
        raise InputError("the x and the z arrow are square to each other")
    return found[0], found[1]
