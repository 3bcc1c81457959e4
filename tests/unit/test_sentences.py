"""Sentences: English text that still knows its code and values."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tipdatum.display.texts import languages, speech
from tipdatum.errors import CommandRefused
from tipdatum.sentences import ENGLISH, parts_of, sentence, written

SERVICE = Path(__file__).parents[2] / "service" / "tipdatum"


def test_sentence_is_its_english_text_and_its_parts() -> None:
    said = sentence("target-level", elevation_m=-1.2345) + sentence("reference-doubtful") + " More."
    assert said.startswith("Target: level at -1.234 m. The reference is doubtful")
    assert said.endswith("More.")
    assert said.parts == (
        ("target-level", {"elevation_m": -1.2345}),
        ("reference-doubtful", {}),
        ("", {"text": " More."}),
    )
    assert parts_of("plain") == (("", {"text": "plain"}),)
    assert parts_of("") == ()


def test_sentence_stays_one_in_a_refusal() -> None:
    refusal = CommandRefused(sentence("no-reference"))
    assert parts_of(str(refusal)) == (("no-reference", {}),)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("elevation_m", 24.31, "24.310 m"),
        ("spread_fine_m", 0.0042, "4 mm"),
        ("off_signed_m", 0.0121, "+12 mm"),
        ("off_signed_m", -0.0004, "0 mm"),
        ("lasted_s", 2.0, "2.0 s"),
        ("wait_whole_s", 10.0, "10 s"),
        ("mark", "BM1", "BM1"),
    ],
)
def test_values_are_written_by_the_end_of_their_names(name: str, value: float | str, text: str) -> None:
    assert written(name, value) == text


def test_every_language_says_every_sentence_with_values_that_it_has() -> None:
    for language in languages():
        texts = speech(language).texts
        for code, english in ENGLISH.items():
            blanks = set(re.findall(r"\{(\w+)\}", english))
            assert set(re.findall(r"\{(\w+)\}", texts[f"say.{code}"])) <= blanks, (language, code)


def test_every_code_is_used_and_every_used_code_is_there() -> None:
    used = set()
    for file in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sentence" and node.args:
                first = node.args[0]
                codes = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                used |= {code.value for code in codes if isinstance(code, ast.Constant)}
    assert used == set(ENGLISH)
