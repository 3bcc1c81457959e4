"""What the service says, as codes with values: English here, other languages where people read.

A sentence is its English text (a `str`) that still knows its parts: a code and values for each. Added to one
another sentences keep their parts; text that is only text becomes a part without a code. Whoever shows a
sentence in another language, or in other units, says the parts from its own catalogue: `said(text)` is what
the messages carry, `tipdatum.display.texts` and the page's `texts.js` say it.

The English stands with that of every other language, in `display/page/texts/<language>.json` under
`say.<code>`: blanks in braces, and commands in brackets, `[datum/set]`, which a page writes as the button
that sends them.

The end of a value's name tells what it is and how it is written: see `_WAYS`. A value may be a sentence
itself, or several.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Self, TypeAlias

CATALOGUE = Path(__file__).parent / "display" / "page" / "texts" / "en.json"

COMMAND = re.compile(r"\[([a-z]+/[a-z-]+)\]")
"""A command as it stands in a text of the catalogue."""

ENGLISH: dict[str, str] = {
    key.removeprefix("say."): COMMAND.sub(r"\1", text)
    for key, text in json.loads(CATALOGUE.read_text(encoding="utf-8")).items()
    if key.startswith("say.")
}
"""Code → English, with the values' names in braces."""

Part: TypeAlias = tuple[str, dict[str, Any]]

_BLANK = re.compile(r"\{(\w+)\}")
_NUMBER = r"-?\d+(?:\.\d+)?"


def _signed_mm(metres: float) -> str:
    size = f"{metres * 1000:+.0f}"
    return f"{'0' if float(size) == 0.0 else size} mm"


_WAYS: tuple[tuple[str, Callable[[float], str], str, float], ...] = (
    ("_signed_m", _signed_mm, r"([+-]?\d+) mm", 0.001),
    ("_tenths_m", lambda v: f"{v * 1000:.1f} mm", rf"({_NUMBER}) mm", 0.001),
    ("_fine_m", lambda v: f"{v * 1000:.0f} mm", rf"({_NUMBER}) mm", 0.001),
    ("_number_mm", lambda v: f"{v:.0f}", rf"({_NUMBER})", 1.0),
    ("_coarse_m", lambda v: f"{v:.2f} m", rf"({_NUMBER}) m", 1.0),
    ("_whole_m", lambda v: f"{v:.0f} m", rf"({_NUMBER}) m", 1.0),
    ("_bare_m", lambda v: f"{v:.3f}", rf"({_NUMBER})", 1.0),
    ("_m", lambda v: f"{v:.3f} m", rf"({_NUMBER}) m", 1.0),
    ("_m3", lambda v: f"{v:.2f} m³", rf"({_NUMBER}) m³", 1.0),
    ("_fine_mps", lambda v: f"{v * 1000:.0f} mm/s", rf"({_NUMBER}) mm/s", 0.001),
    ("_mps", lambda v: f"{v:.2f} m/s", rf"({_NUMBER}) m/s", 1.0),
    ("_grade", lambda v: f"{abs(v) * 100:.2f} %", rf"({_NUMBER}) %", 0.01),
    ("_share", lambda v: f"{v * 100:.0f} %", rf"({_NUMBER}) %", 0.01),
    ("_whole_deg", lambda v: f"{v:g}°", rf"({_NUMBER})°", 1.0),
    ("_deg", lambda v: f"{v:.1f}°", rf"({_NUMBER})°", 1.0),
    ("_min", lambda v: f"{v:.0f} min", rf"({_NUMBER}) min", 1.0),
    ("_whole_s", lambda v: f"{v:g} s", rf"({_NUMBER}) s", 1.0),
    ("_s", lambda v: f"{v:.1f} s", rf"({_NUMBER}) s", 1.0),
    ("_kv", lambda v: f"{v:g} kV", rf"({_NUMBER}) kV", 1.0),
)  # fmt: skip
"""End of a value's name, how English writes the number, how that is read again, and its unit in SI: lengths
to the millimetre, coarse ones to the centimetre, fine ones in millimetres; speeds; grades as a ratio."""


class Sentence(str):
    """English text with its parts: (code, values) each; the code is empty for what is only text."""

    __slots__ = ("parts",)
    parts: tuple[Part, ...]

    def __new__(cls, text: str, parts: tuple[Part, ...]) -> Self:
        made = super().__new__(cls, text)
        made.parts = parts
        return made

    def __str__(self) -> str:
        # An exception's text is its argument's: it shall still be this sentence.
        return self

    def __getnewargs__(self) -> tuple[str, tuple[Part, ...]]:  # type: ignore[override]
        # Errors cross from one process to another, and sentences in them.
        return super().__str__(), self.parts

    def __add__(self, other: str) -> Sentence:
        return Sentence(super().__add__(other), self.parts + parts_of(other))


def counted(count: int, one: str, several: str = "") -> str:
    """A count of things in plain English: `one` of them, or `several`, by default with an s."""
    return f"{count} {one if count == 1 else several or one + 's'}"


_TOLD = frozenset({"why", "reasons", "doubts", "answer", "remark"})
"""Values that repeat what was said elsewhere; all others are numbers, names or words of people."""


def sentence(code: str, **values: Any) -> Sentence:
    """The sentence of that code; a value may be a sentence, or a sequence of them.

    Where `count` is one, and there is a sentence for that, `code-one`, it is that one.

    Raises:
        KeyError: there is no such code, or a value is missing.
    """
    if values.get("count") == 1 and (of_one := f"{code}-one") in ENGLISH:
        code = of_one
    text = _BLANK.sub(lambda blank: written(blank[1], values[blank[1]]), ENGLISH[code])
    return Sentence(text, ((code, values),))


def joined(*texts: str) -> Sentence:
    """Several texts, sentences or not, as one."""
    return Sentence("".join(texts), tuple(part for text in texts for part in parts_of(text)))


def parts_of(text: str) -> tuple[Part, ...]:
    """The parts of any text: what is no sentence is one part without a code; nothing is none."""
    if isinstance(text, Sentence):
        return text.parts
    return (("", {"text": text}),) if text else ()


def said(text: str) -> list[dict[str, Any]]:
    """The parts as messages carry them: code and values each; values that are sentences as lists of parts.

    Texts that come without a code are looked for among the sentences: drivers know nothing of the service's
    words, and what was read from the disk is text.
    """
    return [{"code": code, "values": _plain(values)} for code, values in parts_of(recognised(text))]


def said_each(texts: Iterable[str]) -> list[list[dict[str, Any]]]:
    """`said` of each."""
    return [said(text) for text in texts]


def written(name: str, value: Any) -> str:
    """A value as English writes it, by the end of its name; several of them with semicolons."""
    if isinstance(value, (list, tuple)):
        return "; ".join(map(str, value))
    if not isinstance(value, int | float) or isinstance(value, bool):
        return str(value)
    for end, write, _, _ in _WAYS:
        if name.endswith(end):
            return write(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for name, value in values.items():
        if isinstance(value, (list, tuple)):
            plain[name] = said_each(value)
        elif isinstance(value, str) and name != "text":
            found = recognised(value) if name in _TOLD else value
            plain[name] = [said(found)] if isinstance(found, Sentence) else value
        else:
            plain[name] = value
    return plain


# Texts without a code


def recognised(text: str) -> str:
    """The sentence that reads like this, else the text itself.

    Also of the form "kind: what was found", several of them with semicolons, as sensors' faults are told.
    """
    return text if isinstance(text, Sentence) else _recognised(text)


@lru_cache(maxsize=256)
def _recognised(text: str) -> str:
    for code, pieces in _by_words():
        # Most are ruled out by their own words, so that few of the many patterns are ever made.
        if not (text.startswith(pieces[0]) and text.endswith(pieces[-1])):
            continue
        if match := _pattern(pieces).fullmatch(text):
            return Sentence(text, ((code, {n: _read(n, match[i + 1]) for i, n in enumerate(pieces[1::2])}),))
    for between in ("; ", ": "):
        first, sign, rest = text.partition(between)
        if not sign:
            continue
        one, other = recognised(first), recognised(rest)
        # A name before a colon is no sentence; what stands on either side of a semicolon may be.
        if isinstance(one, Sentence) or (between == "; " and isinstance(other, Sentence)):
            return Sentence(text, (*parts_of(one), ("", {"text": sign}), *parts_of(other)))
    return text


@lru_cache(maxsize=1)
def _by_words() -> Sequence[tuple[str, tuple[str, ...]]]:
    """Every sentence in pieces (words, a blank's name, words, …), those with the most words first."""
    split = [(code, tuple(_BLANK.split(text))) for code, text in ENGLISH.items()]
    words = {code: sum(map(len, pieces[::2])) for code, pieces in split}
    # A sentence that is little more than its blanks would be found in everything.
    known = [(code, pieces) for code, pieces in split if words[code] > 3]
    return sorted(known, key=lambda one: (-words[one[0]], one[0]))


@cache
def _pattern(pieces: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile(
        "".join(re.escape(piece) if i % 2 == 0 else _reading(piece) for i, piece in enumerate(pieces)),
        re.DOTALL,
    )


_UNKNOWN = {"port": r"(\S+?)", "error": r"(.+?)"}
"""What no end of a name tells: a port's path may have colons and no spaces, what a system says both."""


def _reading(name: str) -> str:
    return next(
        (pattern for end, _, pattern, _ in _WAYS if name.endswith(end)),
        _UNKNOWN.get(name, r"(.+?)" if name in _TOLD else r"([^;:]+?)"),
    )


def _read(name: str, text: str) -> Any:
    for end, _, _, unit in _WAYS:
        if name.endswith(end):
            return round(float(text) * unit, 9)
    return int(text) if name == "count" and text.isdecimal() else text
