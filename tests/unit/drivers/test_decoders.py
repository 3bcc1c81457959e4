"""What every decoder keeps to, whatever the line does to the bytes."""

from __future__ import annotations

import random

import pytest
from driver_streams import COUNT, LEAD_IN, STREAMS, Stream
from hypothesis import given, settings
from hypothesis import strategies as st

from tipdatum_drivers.reading import Fault, Reading

SPEAKING = sorted(name for name, stream in STREAMS.items() if not stream.asks)
"""Devices that speak unasked: their bytes may come at any moment and in any portion."""
PROVEN = sorted(name for name, stream in STREAMS.items() if stream.proven)


def in_order(part: list[Reading], whole: list[Reading]) -> bool:
    """Whether `part` is `whole` with some left out."""
    rest = iter(whole)
    return all(reading in rest for reading in part)


def test_every_reading_of_a_good_stream_arrives_once_and_in_order(stream: Stream) -> None:
    heard = stream.heard((LEAD_IN[stream.kind], *stream.chunks))
    faults = [item for item in heard if isinstance(item, Fault)]
    assert len(heard) - len(faults) == COUNT
    # A decoder that asks has let the lead-in's question run out of time.
    assert len(faults) == (1 if stream.asks else 0)
    distinct = {repr(reading) for reading in stream.expected()}
    assert len(distinct) >= COUNT - 1


def test_byte_by_byte_gives_the_same(stream: Stream) -> None:
    bytewise = [[chunk[i : i + 1] for i in range(len(chunk))] for chunk in stream.chunks]
    assert stream.readings((LEAD_IN[stream.kind], *bytewise)) == stream.expected()


@pytest.mark.parametrize("name", SPEAKING)
def test_all_at_once_gives_the_same(name: str) -> None:
    stream = STREAMS[name]
    assert stream.readings([LEAD_IN[stream.kind] + b"".join(stream.chunks)]) == stream.expected()


@pytest.mark.parametrize("name", SPEAKING)
def test_coming_in_the_middle_of_a_frame_is_no_fault_and_no_reading(name: str) -> None:
    stream = STREAMS[name]
    for cut in range(1, len(stream.chunks[0])):
        heard = stream.heard((stream.chunks[0][cut:], *stream.chunks[1:]))
        assert not [item for item in heard if isinstance(item, Fault)]
        assert in_order(stream.readings((stream.chunks[0][cut:], *stream.chunks[1:])), stream.expected())


def test_a_burst_of_noise_costs_little_and_is_counted(stream: Stream) -> None:
    noise = random.Random(stream.kind).randbytes(300)
    chunks = (LEAD_IN[stream.kind], *stream.chunks[:10], noise, *stream.chunks[10:])
    readings = stream.readings(chunks)
    assert in_order(readings, stream.expected())
    # What stands in the noise may hold on to the frame after it, and to the one after that where a frame is
    # told by its end alone.
    assert len(readings) >= COUNT - 2
    assert any(isinstance(item, Fault) for item in stream.heard(chunks))


def test_endless_noise_fills_no_memory_and_is_reported(stream: Stream) -> None:
    rng = random.Random(1)
    decoder = stream.decoder()
    decoder.poll(0.0)
    faults = 0
    for i in range(200):
        # Without any byte that ends a frame or starts one.
        data = bytes(rng.choice(b"abcdefghijklmno") for _ in range(500))
        faults += sum(isinstance(item, Fault) for item in decoder.feed(data, float(i)))
    assert len(repr(vars(decoder))) + _held(decoder) < 20_000
    assert faults >= 50 or stream.asks


def _held(decoder: object) -> int:
    cutter = vars(decoder).get("_cutter")
    return len(repr(vars(cutter))) if cutter is not None else 0


@given(st.data())
@settings(deadline=None, max_examples=150)
def test_no_bytes_make_a_decoder_raise(data: st.DataObject) -> None:
    stream = STREAMS[data.draw(st.sampled_from(sorted(STREAMS)))]
    chunks = data.draw(
        st.lists(st.one_of(st.binary(max_size=80), st.sampled_from(stream.chunks)), max_size=12)
    )
    damaged = [_damaged(data, chunk) for chunk in chunks]
    stream.heard(damaged)


def _damaged(data: st.DataObject, chunk: bytes) -> bytes:
    if chunk and data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(chunk) - 1))
        return chunk[:at] + data.draw(st.binary(max_size=3)) + chunk[at + data.draw(st.integers(0, 3)) :]
    return chunk


@given(st.data())
@settings(deadline=None, max_examples=200)
def test_flipped_bits_never_make_a_wrong_reading_where_there_is_a_checksum(data: st.DataObject) -> None:
    stream = STREAMS[data.draw(st.sampled_from(PROVEN))]
    chunks = [bytearray(chunk) for chunk in stream.chunks[:12]]
    for i in data.draw(st.sets(st.integers(0, 11), min_size=1, max_size=4)):
        at = data.draw(st.integers(0, len(chunks[i]) - 1))
        chunks[i][at] ^= 1 << data.draw(st.integers(0, 7))
    readings = stream.readings((LEAD_IN[stream.kind], *map(bytes, chunks)))
    assert in_order(readings, stream.expected()[:12])


@given(st.data())
@settings(deadline=None, max_examples=200)
def test_lost_bytes_never_make_a_wrong_reading_where_there_is_a_checksum(data: st.DataObject) -> None:
    stream = STREAMS[data.draw(st.sampled_from(PROVEN))]
    chunks = list(stream.chunks[:12])
    lost_at = data.draw(st.integers(0, 11))
    start = data.draw(st.integers(0, len(chunks[lost_at]) - 1))
    length = data.draw(st.integers(1, 10))
    chunks[lost_at] = chunks[lost_at][:start] + chunks[lost_at][start + length :]
    readings = stream.readings((LEAD_IN[stream.kind], *chunks))
    assert in_order(readings, stream.expected()[:12])
    assert len(readings) >= 10
