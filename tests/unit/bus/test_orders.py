"""What a message on a command topic becomes, whatever stands in it."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.bus.orders import (
    BURST,
    MAX_BODY_BYTES,
    RATE_HZ,
    REMEMBERED,
    Answer,
    Inbound,
    Order,
    OrderDesk,
    Repeated,
)
from tipdatum.bus.topics import Topics

TOPICS = Topics("digger-1")
PLAIN = Answer("tipdatum/digger-1/reply")


def desk() -> OrderDesk:
    return OrderDesk(TOPICS)


def ask(body: bytes = b'{"elevation_m": 1.5}', **more: object) -> Inbound:
    return Inbound("datum/set", body, **more)  # type: ignore[arg-type]


def order(result: object) -> Order:
    assert isinstance(result, Order)
    return result


def test_a_command_keeps_its_body_and_loses_the_common_keys() -> None:
    body = b'{"elevation_m": 1.5, "request_id": "r-1", "by": "cab panel"}'
    assert desk().receive(ask(body), 0.0) == Order("datum/set", {"elevation_m": 1.5}, "cab panel", "r-1")


def test_an_empty_message_is_no_command() -> None:
    """It is how a retained message is tidied away, and must never clear a reference or begin a new book."""
    assert "no command" in (order(desk().receive(ask(b" \n"), 0.0)).refusal or "")
    assert "no command" in (order(desk().receive(Inbound("book/new", b""), 0.0)).refusal or "")


@pytest.mark.parametrize("name", ["book/new", "point/clear"])
def test_where_retain_does_not_show_a_command_that_destroys_has_to_be_meant(name: str) -> None:
    asked, meant = (
        Inbound(name, b"{}", retain_shown=False),
        Inbound(name, b'{"sure": true}', retain_shown=False),
    )
    assert '{"sure": true}' in (order(desk().receive(asked, 0.0)).refusal or "")
    assert order(desk().receive(meant, 0.0)).refusal is None
    assert order(desk().receive(Inbound(name, b"{}"), 0.0)).refusal is None


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"[1, 2]", "a list"),
        (b'"set"', "a text"),
        (b"1.5", "a number"),
        (b"true", "true or false"),
        (b"null", "null"),
        (b"{", "not JSON"),
        (b'{"elevation_m": NaN}', "not JSON"),
        (b'{"elevation_m": Infinity}', "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"x" * (MAX_BODY_BYTES + 1), "too many"),
    ],
)
def test_what_is_no_json_object_is_refused_with_the_reason(body: bytes, words: str) -> None:
    refusal = order(desk().receive(ask(body), 0.0)).refusal
    assert refusal is not None
    assert words in refusal


def test_a_retained_command_is_refused_because_nobody_knows_its_age() -> None:
    assert "how old" in (order(desk().receive(ask(retained=True), 0.0)).refusal or "")


@given(
    body=st.one_of(
        st.binary(max_size=300),
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
            lambda inner: (
                st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4)
            ),
            max_leaves=20,
        ).map(lambda value: json.dumps(value).encode()),
    ),
    name=st.text(max_size=30),
    topic=st.none() | st.text(max_size=60),
    correlation=st.none() | st.binary(max_size=30),
    user=st.none() | st.text(max_size=200),
    retained=st.booleans(),
)
def test_whatever_comes_in_becomes_an_order_or_a_refusal(
    body: bytes, name: str, topic: str | None, correlation: bytes | None, user: str | None, retained: bool
) -> None:
    here = desk()
    message = Inbound(name, body, retained, topic, correlation, user, user)
    result = order(here.receive(message, 0.0))
    assert result.name == name
    assert result.by.isprintable()
    for answer in here.answered(result.name, result.request_id, b"{}"):
        within = answer.topic.startswith("tipdatum/digger-1/reply")
        assert within or not answer.topic.startswith(("tipdatum/", "$"))


@pytest.mark.parametrize(
    "topic",
    [
        "tipdatum/digger-1/command/datum/clear",
        "tipdatum/digger-2/command/datum/set",
        "tipdatum/digger-1/tip",
        "tipdatum",
        "tipdatum/digger-1/replyx",
        "$SYS/broker",
        "answers/+",
        "answers/#",
        "",
        "x" * 500,
    ],
)
def test_nobody_has_the_service_write_where_answers_do_not_belong(topic: str) -> None:
    here = desk()
    here.receive(ask(response_topic=topic), 0.0)
    assert here.answered("datum/set", None, b"{}") == [PLAIN]


def test_an_answer_goes_to_the_asker_with_its_correlation_and_to_the_plain_topic() -> None:
    here = desk()
    here.receive(ask(response_topic="me/answers", correlation=b"\x01"), 0.0)
    here.receive(ask(response_topic="tipdatum/digger-1/reply/panel", correlation=b"\x02"), 0.0)
    assert here.answered("datum/set", None, b"{}") == [Answer("me/answers", b"\x01"), PLAIN]
    assert here.answered("datum/set", None, b"{}") == [
        Answer("tipdatum/digger-1/reply/panel", b"\x02"),
        PLAIN,
    ]
    assert here.answered("datum/set", None, b"{}") == [PLAIN]  # nobody waits any more


def test_the_same_request_is_carried_out_once_and_answered_every_time() -> None:
    here = desk()
    body = b'{"elevation_m": 1.5, "request_id": "r-1"}'
    assert isinstance(here.receive(ask(body), 0.0), Order)
    assert here.receive(ask(body), 0.1) is None  # at work; the answer is on its way
    here.answered("datum/set", "r-1", b"done")
    again = here.receive(ask(body, response_topic="me", correlation=b"2"), 0.2)
    assert again == Repeated(b"done", [Answer("me", b"2"), PLAIN])


def test_a_request_id_used_for_something_else_is_refused() -> None:
    here = desk()
    here.receive(ask(b'{"elevation_m": 1.5, "request_id": "r-1"}'), 0.0)
    other = order(here.receive(ask(b'{"elevation_m": 2.5, "request_id": "r-1"}'), 0.1))
    assert "another command" in (other.refusal or "")


def test_the_memory_of_requests_is_bounded_and_forgets_the_oldest() -> None:
    here = desk()
    bodies = [f'{{"request_id": "{number}"}}'.encode() for number in range(REMEMBERED + 1)]
    for number, body in enumerate(bodies):
        here.receive(ask(body), float(number))
        here.answered("datum/set", str(number), b"done")
    assert isinstance(here.receive(ask(bodies[-1]), 1e4), Repeated)
    assert isinstance(here.receive(ask(bodies[0]), 1e4 + 1), Order)


def test_a_flood_is_refused_once_then_ignored_and_counted_until_it_ebbs() -> None:
    here = desk()
    results = [here.receive(ask(), 100.0) for _ in range(BURST + 50)]
    assert [r.refusal for r in results[:BURST] if isinstance(r, Order)] == [None] * BURST
    assert "too many" in (order(results[BURST]).refusal or "")
    assert results[BURST + 1 :] == [None] * 49
    assert here.ignored == 50
    assert order(here.receive(ask(), 100.0 + 2.0 / RATE_HZ)).refusal is None


def test_a_clock_that_steps_back_does_not_open_or_close_the_gate() -> None:
    here = desk()
    here.receive(ask(), 100.0)
    assert order(here.receive(ask(), 50.0)).refusal is None


@pytest.mark.parametrize("by", ["", "x" * 500, "two\nlines", 7, None, ["a"]])
def test_a_name_that_would_spoil_the_log_is_not_taken(by: object) -> None:
    found = order(desk().receive(ask(json.dumps({"by": by}).encode()), 0.0)).by
    assert found == ("7" if by == 7 else "unknown")
