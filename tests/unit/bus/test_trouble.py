"""Why there is no broker, in words, and how long to wait."""

from __future__ import annotations

import socket
import ssl

import pytest

from tipdatum.bus.trouble import (
    GUESS_LOSSES,
    STORM_WAIT_S,
    WAITS_S,
    Patience,
    Trouble,
    TwinWatch,
    from_connack,
    from_exception,
    from_silence,
)
from tipdatum.errors import PortError

LOST = Trouble("lost", "lost")


@pytest.mark.parametrize(
    ("error", "cause", "words"),
    [
        (ConnectionRefusedError(111, "x"), "refused", "is the broker running?"),
        (socket.gaierror(-2, "x"), "unreachable", "name b is not known"),
        (TimeoutError(), "unreachable", "no answer from b:1"),
        (OSError(113, "No route to host"), "unreachable", "no route to host"),
        (ssl.SSLError(1, "x"), "tls", "no TLS"),
        (PortError("ca.crt cannot be used", retry_helps=True), "tls", "ca.crt"),
        (UnicodeError("label too long"), "unreachable", "label too long"),
    ],
)
def test_an_exception_becomes_a_sentence(error: Exception, cause: str, words: str) -> None:
    found = from_exception(error, "b", 1)
    assert found.cause == cause
    assert words in found.text


# Reason codes of the MQTT 5.0 standard, section 3.2.2.2.
@pytest.mark.parametrize(
    ("code", "cause"),
    [(0x84, "protocol"), (0x85, "not-allowed"), (0x86, "credentials"), (0x87, "credentials"),
     (0x88, "refused"), (0x8A, "credentials"), (0x97, "refused"), (0x9F, "refused"), (0x80, "refused")],
)  # fmt: skip
def test_a_refusal_becomes_a_cause(code: int, cause: str) -> None:
    assert from_connack(code, "Some name", "service", "id").cause == cause


def test_silence_is_guessed_at_by_what_we_offered() -> None:
    assert 'user "anna"' in from_silence("anna", tls=False).text
    assert "client certificate" in from_silence(None, tls=True).text
    assert "expired" in from_silence("anna", tls=True, certificate=True).text


def test_tries_come_often_and_settle_at_a_pace() -> None:
    patience = Patience("id")
    waits = [patience.after_failure() for _ in range(8)]
    assert waits == [*WAITS_S, *[WAITS_S[-1]] * 4]
    assert patience.after_life(60.0, LOST, twin=False) == (LOST, WAITS_S[0])


def test_a_known_twin_is_named_and_makes_us_wait_long_from_the_second_loss_on() -> None:
    patience = Patience("digger")
    first, wait = patience.after_life(0.5, LOST, twin=True)
    assert first.cause == "taken-over"
    assert '"digger"' in first.text
    assert wait < STORM_WAIT_S
    assert patience.after_life(0.5, LOST, twin=True)[1] == STORM_WAIT_S


def test_a_row_of_short_lives_is_taken_for_a_twin_but_a_broker_that_is_away_in_between_is_not() -> None:
    patience = Patience("digger")
    causes = [patience.after_life(0.5, LOST, twin=False)[0].cause for _ in range(GUESS_LOSSES)]
    assert causes == ["lost"] * (GUESS_LOSSES - 1) + ["taken-over"]
    patience = Patience("digger")
    for _ in range(3 * GUESS_LOSSES):
        assert patience.after_life(0.5, LOST, twin=False)[0].cause == "lost"
        patience.after_failure()


def test_a_twin_is_known_by_its_run() -> None:
    watch = TwinWatch("aa")
    watch.connected()
    online, offline = b'{"state":"online","run":"bb"}', b'{"state":"offline","run":"bb"}'
    assert watch.judge(offline, retained=True) is None  # what an earlier run left
    assert watch.judge(b'{"state":"online","run":"aa"}', retained=False) is None
    assert watch.judge(online, retained=False) == "twin"
    assert watch.judge(offline, retained=False) == "overwritten"
    watch.wrote()
    assert watch.judge(offline, retained=True) is None  # on its way to us while ours went out
    assert watch.judge(online, retained=True) is None  # left by a run that a power cut ended with its broker
    watch.connected()
    assert not watch.seen
    assert watch.judge(offline, retained=True) == "twin"  # somebody was here while we were away
    for rubbish in (b"", b"[]", b"{}", b"\xff", b'{"run": 7}'):
        assert watch.judge(rubbish, retained=False) in (None, "overwritten")
