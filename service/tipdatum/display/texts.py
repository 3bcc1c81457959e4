"""The words of page, terminal and report: one file a language, `page/texts/<language>.json`.

A key says where a text stands; `{name}` in it is filled in. English is the reference: what another language
does not have is said in English. Sentences of the service come as a code with values; theirs are the keys
`say.<code>`, and without such a key the service's own English stands.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

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

    def reason(self, reason: str) -> str:
        """A short reason of the service, such as "arm moving", in this language where it is known."""
        key = f"reason.{reason}"
        return self.texts.get(key, reason)

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
