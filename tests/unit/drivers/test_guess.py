"""An unknown line's format is told from its bytes, and never from noise."""

from __future__ import annotations

import random
import tomllib

import pytest
from driver_streams import STREAMS, Stream

from tipdatum.cli.sniff_view import snippet
from tipdatum_drivers.guess import Guess, guess
from tipdatum_drivers.registry import find_driver

SPEAKING = sorted(name for name, stream in STREAMS.items() if not stream.asks)


@pytest.mark.parametrize("name", SPEAKING)
def test_every_kind_of_line_is_recognised_from_half_a_second_of_it(name: str) -> None:
    stream = STREAMS[name]
    data = b"".join(stream.chunks)
    found = guess(data[7:])
    assert found is not None
    assert found.kind == stream.kind
    assert found.share >= 0.8


def test_guessed_options_read_the_line() -> None:
    for name in SPEAKING:
        stream = STREAMS[name]
        found = guess(b"".join(stream.chunks))
        assert found is not None
        if found.complete:
            find_driver(found.kind).Options.model_validate({"port": "x", **found.options})
            again = Stream(found.kind, found.options, stream.chunks)
            assert len(again.readings(stream.chunks)) >= len(stream.chunks) - 1


def test_noise_and_silence_are_nothing() -> None:
    rng = random.Random(5)
    assert guess(b"") is None
    for _ in range(50):
        assert guess(rng.randbytes(2000)) is None


def test_words_name_what_was_seen() -> None:
    lines = b"".join(f"{i},{i / 7:.2f},x\r\n".encode() for i in range(20))
    csv = guess(lines)
    assert csv is not None
    assert csv.words.startswith("lines of 3 columns, such as")
    assert csv.options == {"format": "csv", "delimiter": ","}
    assert not csv.complete
    assert csv.share == 1.0, "a line without damage"


@pytest.mark.parametrize("name", SPEAKING)
def test_a_line_with_half_its_frames_damaged_is_named_with_that_share(name: str) -> None:
    rng = random.Random(3)
    stream = STREAMS[name]
    spoilt = []
    for i, chunk in enumerate(stream.chunks):
        whole = bytearray(chunk)
        for place in rng.sample(range(len(whole) - 3), 3) if i % 2 else ():
            whole[place] ^= 0x80 | rng.randrange(1, 128)
        spoilt.append(bytes(whole))
    found = guess(b"".join(spoilt))
    if not stream.proven and stream.kind == "text-lines":
        # Nothing proves such a line: half of it is the least, times the little that text is believed.
        assert found is None or (found.kind == stream.kind and found.share < 0.6)
        return
    assert found is not None
    assert found.kind == stream.kind
    assert 0.3 < found.share < 0.65


def test_another_packages_attempt_takes_part_and_its_mistakes_are_passed_over() -> None:
    def larch(data: bytes) -> Guess | None:
        return Guess("larch", data.count(b"\xa5\xa5") / len(data) * 2, "larches", proven=True)

    def broken(data: bytes) -> Guess | None:
        raise IndexError(data)

    found = guess(b"\xa5\xa5" * 50, [broken, larch])
    assert found is not None
    assert found.kind == "larch"


@pytest.mark.parametrize("name", SPEAKING)
def test_the_table_that_is_printed_has_every_key(name: str) -> None:
    stream = STREAMS[name]
    found = guess(b"".join(stream.chunks))
    assert found is not None
    text = snippet({"port": "/dev/x"}, 9600, found).partition("[[driver]]")
    table = text[1] + text[2]
    if found.complete:
        (driver,) = tomllib.loads(table)["driver"]
        find_driver(driver.pop("kind")).Options.model_validate(driver)
        return
    # Uncommented as a person would: one of the alternatives of the sensor's fields.
    lines = [line.removeprefix("# ") for line in table.splitlines() if "instead" not in line]
    (driver,) = tomllib.loads("\n".join(lines))["driver"]
    find_driver(driver.pop("kind")).Options.model_validate(driver)
