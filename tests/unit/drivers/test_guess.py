"""An unknown line's format is told from its bytes, and never from noise."""

from __future__ import annotations

import random

import pytest
from driver_streams import STREAMS, Stream

from tipdatum_drivers.guess import guess
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
