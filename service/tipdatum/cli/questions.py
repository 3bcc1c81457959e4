"""Asking for what an option did not say: at a terminal again until it makes sense, in a script never."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import typer

from tipdatum.errors import InputError
from tipdatum.grade.units import parse_length

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
    """Turns an option's text, or the answer of whoever sits there, into a value.

    Args:
        interactive: ask; otherwise a missing answer takes its default or is refused.
    """

    def __init__(self, interactive: bool) -> None:
        self.interactive = interactive

    def ask(
        self,
        option: str,
        given: str | None,
        question: str,
        parse: Callable[[str], T],
        default: str | None = None,
    ) -> T:
        """One value.

        Args:
            option: the command line's option for it. given: what that option said.
            parse: raises InputError with what is wrong.

        Raises:
            InputError: what was given makes no sense, or is missing, cannot be asked for and has no default.
        """
        if given is None and self.interactive:
            return self._ask(question, parse, default)
        text = given if given is not None else default
        if text is None:
            raise InputError(f"{option} is missing ({question[:1].lower()}{question[1:]})")
        try:
            return parse(text)
        except InputError as error:
            raise InputError(f"{option}: {error}") from None

    def _ask(self, question: str, parse: Callable[[str], T], default: str | None) -> T:
        while True:
            answer = typer.prompt(question, default=default, type=str)
            try:
                return parse(answer)
            except InputError as error:
                typer.echo(f"  {error}")


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
