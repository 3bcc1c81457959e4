"""Sentences: English text that still knows its code and values, and every language that says them."""

from __future__ import annotations

import ast
import pickle
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tipdatum.display.texts import languages, speech
from tipdatum.errors import CommandRefused
from tipdatum.fusion.pose import SEVERITY
from tipdatum.grade.commands import COMMANDS, parse_body
from tipdatum.grade.figures import CAUSES
from tipdatum.sentences import (
    COMMAND,
    ENGLISH,
    Sentence,
    counted,
    parts_of,
    recognised,
    said,
    sentence,
    written,
)
from tipdatum_drivers.plausibility import KIND_WORDS

SERVICE = Path(__file__).parents[2] / "service" / "tipdatum"
DRIVERS = Path(__file__).parents[2] / "drivers" / "tipdatum_drivers"
BLANK = re.compile(r"\{(\w+)\}")
WORD = re.compile(r"[A-Za-z]+")

TELLS_AS_TEXT = (
    *sorted((SERVICE / "fusion").rglob("*.py")),
    *(
        DRIVERS / name
        for name in (
            "presence.py",
            "plausibility.py",
            "part_checks.py",
            "connection.py",
            "together.py",
        )
    ),
)
"""Where texts are made that the service tells as sentences without being made as such."""


def test_sentence_is_its_english_text_and_its_parts() -> None:
    told = sentence("target-level", elevation_m=-1.2345) + sentence("reference-doubtful") + " More."
    assert told.startswith("Target: level at -1.234 m. The reference is doubtful")
    assert told.endswith("More.")
    assert told.parts == (
        ("target-level", {"elevation_m": -1.2345}),
        ("reference-doubtful", {}),
        ("", {"text": " More."}),
    )
    assert parts_of("plain") == (("", {"text": "plain"}),)
    assert parts_of("") == ()


def test_sentence_stays_one_in_a_refusal() -> None:
    refusal = CommandRefused(sentence("no-reference"))
    assert parts_of(str(refusal)) == (("no-reference", {}),)


def test_sentence_stays_one_from_process_to_process() -> None:
    told = sentence("no-reference") + " More."
    kept = pickle.loads(pickle.dumps(told))
    assert kept == told
    assert kept.parts == told.parts


def test_sentence_in_a_sentence_is_told_as_parts() -> None:
    told = sentence("not-still", why=sentence("tip-spread", spread_fine_m=0.03, last_s=1.0))
    assert told == (
        "The tip is not still: its height spread over 30 mm in the last 1.0 s. "
        "Hold it on the mark and try again."
    )
    inner = {"code": "tip-spread", "values": {"spread_fine_m": 0.03, "last_s": 1.0}}
    assert said(told) == [{"code": "not-still", "values": {"why": [[inner]]}}]
    doubts = (sentence("doubt-shook"), sentence("doubt-lean", change_deg=1.25))
    both = said(sentence("confirmed", doubts=doubts))[0]["values"]["doubts"]
    assert [part[0]["code"] for part in both] == ["doubt-shook", "doubt-lean"]


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("elevation_m", 24.31, "24.310 m"),
        ("spread_fine_m", 0.0042, "4 mm"),
        ("sigma_tenths_m", 0.0042, "4.2 mm"),
        ("station_coarse_m", 12.5, "12.50 m"),
        ("off_signed_m", 0.0121, "+12 mm"),
        ("off_signed_m", -0.0004, "0 mm"),
        ("rise_grade", -0.02, "2.00 %"),
        ("lasted_s", 2.0, "2.0 s"),
        ("wait_whole_s", 10.0, "10 s"),
        ("mark", "BM1", "BM1"),
    ],
)
def test_values_are_written_by_the_end_of_their_names(name: str, value: float | str, text: str) -> None:
    assert written(name, value) == text


def test_text_without_a_code_is_recognised_with_its_values() -> None:
    assert parts_of(recognised("stick sensor silent for 3.2 s")) == (
        ("sensor-silent-for", {"sensor": "stick", "age_s": 3.2}),
    )
    found = recognised("frozen: the same reading for more than 2 s; late: 0.31 s old when it came")
    assert [code for code, _ in parts_of(found) if code] == [
        "kind-frozen", "found-frozen", "kind-late", "found-late",
    ]  # fmt: skip
    held = recognised("boom sensor tells nothing that can be used: frozen: the same reading again")
    (first,) = said(held)
    assert (first["code"], first["values"]["sensor"]) == ("sensor-unusable-why", "boom")
    assert [one["code"] for one in first["values"]["why"][0] if one["code"]] == [
        "kind-frozen", "found-repeats",
    ]  # fmt: skip
    assert not isinstance(recognised("a remark of somebody: nothing of ours"), Sentence)


@pytest.mark.parametrize(
    ("told", "code", "port"),
    [
        ("port: /dev/ttyUSB0 is not there: unplugged, or another name?", "found-no-port", "/dev/ttyUSB0"),
        (
            "port: no permission for /dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0: "
            "add the user to the group dialout (usermod -aG dialout NAME)",
            "found-no-permission",
            "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0",
        ),
        ("port: /dev/ttyS0 is in use by another program", "found-port-in-use", "/dev/ttyS0"),
    ],
)
def test_trouble_with_a_port_is_recognised_whatever_it_is_called(told: str, code: str, port: str) -> None:
    parts = parts_of(recognised(told))
    assert [code for code, _ in parts if code] == ["kind-port", code]
    assert parts[-1][1]["port"] == port


def test_names_that_people_give_are_no_sentences() -> None:
    """A mark may be called like a fault."""
    assert said(sentence("mark-forgotten", mark="late"))[0]["values"] == {"mark": "late"}


def test_refused_value_is_said_in_the_readers_language_to_its_last_word() -> None:
    with pytest.raises(CommandRefused) as refused:
        parse_body("datum/set", {"elevation_m": 101250})
    assert str(refused.value) == (
        'datum/set: "elevation_m": found 101250, which looks like millimetres or centimetres or inches, '
        "expected a number in metres from -11000 to 9000."
    )
    assert speech("de").said(said(str(refused.value))) == (
        "datum/set: „elevation_m“: gefunden 101250, was nach Millimetern oder Zentimetern oder Zoll "
        "aussieht, erwartet eine Zahl in Metern von −11000 bis 9000."
    )
    with pytest.raises(CommandRefused) as refused:
        parse_body("book/close", {})
    assert speech("de").said(said(str(refused.value))) == (
        "book/close braucht: den Namen eines notierten Festpunkts oder seine Höhe."
    )


@pytest.mark.parametrize("code", sorted(ENGLISH))
def test_every_sentence_is_said_in_every_language_with_the_same_values(code: str) -> None:
    for language in languages():
        text = speech(language).texts[f"say.{code}"]
        assert set(BLANK.findall(text)) <= set(BLANK.findall(ENGLISH[code])), language
        assert set(COMMAND.findall(text)) <= set(COMMANDS), language


def test_commands_stand_in_brackets_wherever_a_sentence_names_one() -> None:
    """So that a page can write them as buttons."""
    for language in languages():
        for key, text in speech(language).texts.items():
            bare = COMMAND.sub("", text)
            named = [command for command in COMMANDS if re.search(rf"\b{command}\b", bare)]
            assert not named, (language, key)


def test_every_code_is_used_or_is_what_is_told_as_text() -> None:
    used = {code for file in SERVICE.rglob("*.py") for code in _codes(file)}
    texts = (
        *TELLS_AS_TEXT,
        *DRIVERS.rglob("*.py"),
        *(SERVICE / "core").glob("*.py"),
        *(SERVICE / "run").glob("*.py"),
    )
    told = set(WORD.findall(" ".join(piece for file in texts for piece in _pieces(file))))
    made = {f"why-{cause}" for cause in CAUSES} | {f"arm-quality-{quality}" for quality in SEVERITY}
    made |= {f"{code}-one" for code in used}
    left = {
        code
        for code in set(ENGLISH) - used - made
        if not set(WORD.findall(BLANK.sub(" ", ENGLISH[code]))) <= told
    }
    assert used <= set(ENGLISH)
    assert left == set()


def test_what_estimators_and_sensors_tell_stands_in_the_catalogue() -> None:
    """A text that changes there changes in the catalogue, or it would be English in every language."""
    english = "\n".join(BLANK.sub(lambda blank: written(blank[1], 1.0), text) for text in ENGLISH.values())
    pieces = {piece.strip() for file in TELLS_AS_TEXT for piece in _pieces(file) if " " in piece.strip()}
    words = {key.removeprefix("word.") for key in speech("en").texts if key.startswith("word.")}
    kinds = set(KIND_WORDS.values()) | words
    assert {piece for piece in pieces - kinds if piece not in english and f"{piece} " not in english} == {
        "wrong serial:"  # kind and text, put together again
    }


def test_refusals_answers_and_events_are_sentences() -> None:
    """Whatever `grade` tells a person has a code: no plain text is handed to what tells."""
    plain = []
    for file in sorted((SERVICE / "grade").rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            at = {
                "CommandRefused": 0,
                "done": 1,
                "refused": 1,
                "tell": 2,
                "doubt": 1,
                "NotStill": 1,
                "Sign": 0,
            }
            place = at.get(name)
            if place is not None and len(node.args) > place and _is_text(node.args[place]):
                plain.append((file.name, node.lineno))
    assert plain == []


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _codes(file: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sentence" and node.args:
            for inner in ast.walk(node.args[0]):
                if (
                    isinstance(inner, ast.Constant)
                    and isinstance(inner.value, str)
                    and inner.value in ENGLISH
                ):
                    yield inner.value


def _pieces(file: Path) -> Iterator[str]:
    """The texts of a module that are not for developers: without docstrings and errors."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    skipped: set[int] = set()
    for node in ast.walk(tree):
        called = getattr(node, "func", None)
        name = getattr(called, "id", getattr(called, "attr", ""))
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        if docstring or isinstance(node, ast.Raise) or name in ("Field", "info", "warning", "error"):
            skipped |= {id(inner) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) not in skipped and isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


@pytest.mark.parametrize(("count", "told"), [(0, "0 lines"), (1, "1 line"), (2, "2 lines")])
def test_one_thing_is_counted_as_one(count: int, told: str) -> None:
    assert counted(count, "line") == told


NEVER_ONE = {"target-is-profile", "target-profile", "volume", "crossings-too-few", "order-too-long"}
"""Of two rows or points, two crossings, thousands of bytes at least."""


def test_whatever_counts_several_has_a_sentence_for_one() -> None:
    several = {code for code, text in ENGLISH.items() if re.search(r"\{count\} [a-z-]+s\b", text)}
    assert {code for code in several if f"{code}-one" not in ENGLISH} == NEVER_ONE & several
    assert sentence("points-given", count=1) == "One point."
    assert sentence("points-given", count=2) == "2 points."
    assert parts_of(sentence("points-given", count=1))[0][0] == "points-given-one"
