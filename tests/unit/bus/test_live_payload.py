"""Live messages are written past the model's own writer; its bytes are the reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.bus.examples import EXAMPLES
from tipdatum.bus.messages import Arm, ArmPoint, Message, Raw, Tip, live_payload
from tipdatum.bus.topics import DELIVERY, LIVE

number = st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.integers(-1000, 1000).map(float))
LIVE_EXAMPLES = [
    message for name, found in EXAMPLES.items() if DELIVERY.get(name) is LIVE for message in found
]


@pytest.mark.parametrize("message", LIVE_EXAMPLES, ids=lambda message: type(message).__name__)
def test_examples_of_the_contract_are_written_as_the_model_writes_them(message: Message) -> None:
    assert live_payload(message) == message.model_dump_json().encode()


@given(number, number, st.lists(number, min_size=3, max_size=3), st.text(max_size=30))
def test_any_numbers_and_words_are_written_as_the_model_writes_them(
    one: float, other: float, three: list[float], words: str
) -> None:
    tip = Tip(
        t=one, time=words, elevation_m=other, left_m=None, right_m=three[0], reach_m=three[1],
        lateral_m=three[2], sigma_m=one, quality="good", reasons=[words], datum="set", deviation_m=None,
    )  # fmt: skip
    arm = Arm(
        t=one, time="", quality="moving", points=[ArmPoint(name=words, reach_m=other, height_m=one)],
        height_to_elevation_m=None,
    )  # fmt: skip
    raw = Raw(sensor=words, t0=one, t1=other, n=3, accel_mps2=three, spread_mps2=three, gyro_radps=None)
    for message in (tip, arm, raw):
        assert live_payload(message) == message.model_dump_json().encode()
