"""The words of page, terminal and report: one file a language, `page/texts/<language>.json`.

A key says where a text stands; `{name}` in it is filled in. English is the reference: what another language
does not have is said in English. Sentences of the service come as codes with values; theirs are the keys
`say.<code>`, and of a code that no catalogue has (of a newer service) the text that came with it stands.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

from tipdatum.sentences import COMMAND, written

Write: TypeAlias = Callable[[str, float], str | None]
"""How a number is written by its value's name; None leaves it to the language."""

WORDS = frozenset({"kind", "body", "question", "asked", "whose", "found", "told", "expected", "unit"})
"""Values that are words of the service; all other texts are names that people gave."""

COUNTED = frozenset({"age", "seconds"})
"""Values that are numbers although they came as text."""

TEXTS = Path(__file__).parent / "page" / "texts"
_BLANK = re.compile(r"\{(\w+)\}")


def languages() -> list[str]:
    """The languages that there are, English first."""
    return sorted((file.stem for file in TEXTS.glob("*.json")), key=lambda name: (name != "en", name))


@dataclass(frozen=True, slots=True)
class Speech:
    """Says keys in a language."""

    language: str
    texts: Mapping[str, str]
    english: Mapping[str, str]

    def __call__(self, key: str, **values: Any) -> str:
        """The text of `key` with its blanks filled in; a blank without a value stays as it is."""
        text = self.texts.get(key) or self.english.get(key) or key
        return _BLANK.sub(lambda blank: str(values.get(blank[1], blank[0])), text)

    @property
    def comma(self) -> bool:
        """Whether decimals are written with a comma."""
        return self.texts.get("decimal") == ","

    def has(self, key: str) -> bool:
        """Whether this language itself has the key."""
        return key in self.texts

    def word(self, word: str) -> str:
        """A word of the service, such as a point of the arm, in this language where it is known."""
        return self.texts.get(f"word.{word}", word)

    def mark(self, name: str) -> str:
        """A mark's name; one that nobody named is called by the service."""
        unnamed = re.fullmatch(r"mark (\d+)", name)
        return self("mark.unnamed", n=unnamed[1]) if unnamed else name

    def said(self, parts: Any, text: str = "", write: Write | None = None) -> str:
        """What the service says, in this language.

        Args:
            parts: code and values each, as messages carry them (`tipdatum.sentences.said`). text: the same in
                English, for parts that are none or not known here. write: how a number is written by its
                value's name, such as lengths in other units; None: as the service does, with this language's
                signs.
        """
        try:
            return "".join(self._part(part["code"], part["values"], write) for part in parts) or text
        except (KeyError, TypeError, AttributeError):  # not of the contract, or of a newer one
            return text

    def said_each(self, parts: Any, texts: Sequence[str], write: Write | None = None) -> list[str]:
        """Several sentences, such as the reasons of a message."""
        listed = parts if isinstance(parts, list) and len(parts) == len(texts) else [None] * len(texts)
        return [self.said(one, text, write) for one, text in zip(listed, texts, strict=True)]

    def _part(self, code: str, values: Mapping[str, Any], write: Write | None) -> str:
        if not code:
            return str(values["text"])
        key = f"say.{code}"
        text = COMMAND.sub(r"\1", self.texts.get(key) or self.english[key])
        return _BLANK.sub(lambda blank: self._value(blank[1], values[blank[1]], write), text)

    def _value(self, name: str, value: Any, write: Write | None) -> str:
        if isinstance(value, list):
            return "; ".join(self.said(parts, write=write) for parts in value)
        if isinstance(value, bool) or not isinstance(value, int | float):
            told = str(value)
            if name in COUNTED and self.comma:
                return told.replace(".", ",")
            return self.mark(told) if name == "mark" else self.word(told) if name in WORDS else told
        own = None if write is None else write(name, value)
        if own is not None:
            return own
        told = written(name, value).replace("-", "−")
        return told.replace(".", ",") if self.comma else told

    def number(self, value: float, places: int) -> str:
        """A number with so many decimals and a true minus sign."""
        text = f"{value:.{places}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
        text = text.replace("-", "−")
        return text.replace(".", ",") if self.comma else text


@cache
def _texts(language: str) -> dict[str, str]:
    texts: dict[str, str] = json.loads((TEXTS / f"{language}.json").read_text(encoding="utf-8"))
    return texts


def speech(language: str = "en") -> Speech:
    """Speech in `language`; English where there is no such file."""
    known = language if language in languages() else "en"
    return Speech(known, _texts(known), _texts("en"))
