"""No line of the log repeats faster than a person reads, and none is lost for good."""

from __future__ import annotations

import io
import json

import pytest
import structlog

from tipdatum.bus.messages import Happening
from tipdatum.run.log_lines import REPEAT_AFTER_S, Throttle, configure, log
from tipdatum.run.logs import Losses, MessageLog


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def throttle(clock: Clock) -> Throttle:
    return Throttle(clock=clock)


def written(throttle: Throttle, **event: object) -> dict[str, object] | None:
    try:
        return dict(throttle(None, "info", event))
    except structlog.DropEvent:
        return None


def test_the_first_line_is_written_at_once_and_its_repeats_are_counted(
    throttle: Throttle, clock: Clock
) -> None:
    assert written(throttle, event="sensor stale", sensor="boom") == {
        "event": "sensor stale", "sensor": "boom",
    }  # fmt: skip
    for _ in range(7):
        clock.now += 0.125
        assert written(throttle, event="sensor stale", sensor="boom") is None
    clock.now += REPEAT_AFTER_S
    later = written(throttle, event="sensor stale", sensor="boom")
    assert later == {"event": "sensor stale", "sensor": "boom", "repeated": 7}
    clock.now += REPEAT_AFTER_S
    assert written(throttle, event="sensor stale", sensor="boom") == {
        "event": "sensor stale", "sensor": "boom",
    }  # fmt: skip


def test_another_sensor_or_another_text_is_another_line(throttle: Throttle) -> None:
    assert written(throttle, event="sensor stale", sensor="boom")
    assert written(throttle, event="sensor stale", sensor="stick")
    assert written(throttle, event="caution", text="a")
    assert written(throttle, event="caution", text="b")
    assert written(throttle, event="caution", text="b") is None


def test_what_is_not_known_is_left_out(throttle: Throttle) -> None:
    assert written(throttle, event="sensor ok", reason=None) == {"event": "sensor ok"}


def test_texts_with_figures_in_them_do_not_fill_the_memory(throttle: Throttle) -> None:
    for number in range(5000):
        assert written(throttle, event="caution", text=str(number))
    assert len(throttle._seen) <= 1001


@pytest.fixture
def stream() -> io.StringIO:
    return io.StringIO()


def test_json_lines_carry_level_and_an_instant_in_utc(stream: io.StringIO) -> None:
    configure(json_lines=True, stream=stream)
    log.warning("broker offline", text="nothing listens")
    line = json.loads(stream.getvalue())
    assert line["event"] == "broker offline"
    assert line["level"] == "warning"
    assert line["timestamp"].endswith("Z")


def test_a_persons_log_is_plain_text_where_no_terminal_is(stream: io.StringIO) -> None:
    configure(stream=stream)
    log.info("recording", to="dig.ndjson")
    log.debug("not wanted")
    assert "recording" in stream.getvalue()
    assert "to=dig.ndjson" in stream.getvalue()
    assert "\x1b" not in stream.getvalue()
    assert "not wanted" not in stream.getvalue()


@pytest.mark.parametrize("json_lines", [False, True])
def test_a_defect_is_logged_with_the_way_to_it(stream: io.StringIO, *, json_lines: bool) -> None:
    configure(json_lines=json_lines, stream=stream)
    try:
        raise ValueError("of ours")
    except ValueError:
        log.exception("internal fault; going on", name="tick")
    told = json.loads(stream.getvalue())["exception"] if json_lines else stream.getvalue()
    assert "Traceback" in told
    assert told.rstrip().endswith("ValueError: of ours")


def test_more_is_logged_when_asked(stream: io.StringIO) -> None:
    configure(verbose=True, stream=stream)
    log.debug("wanted")
    assert "wanted" in stream.getvalue()


def test_what_is_lost_on_the_way_out_is_told_when_it_begins_and_summed_when_it_ends() -> None:
    losses = Losses()
    assert losses.look(0.0, {"figures": 0, "events": 0}) == []
    assert losses.look(1.0, {"figures": 40, "events": 0}) == ["figures are being lost"]
    assert losses.look(2.0, {"figures": 90, "events": 0}) == []
    assert losses.look(4.0, {"figures": 90, "events": 0}) == []
    assert losses.look(7.0, {"figures": 90, "events": 0}) == ["figures lost: 90 in 1 s"]
    assert losses.look(9.0, {"figures": 90, "events": 1}) == ["events are being lost"]


def test_cautions_of_a_recording_that_begins_anew_are_written_once(stream: io.StringIO) -> None:
    """A new trench asks for its cautions again; another lap of the same recording does not."""
    configure(json_lines=True, stream=stream)
    told = MessageLog()
    caution = Happening(t=1.0, time="2026-05-04T08:00:01.000Z", kind="caution", text="Have services marked.")
    told.write(caution)
    told.another_pass()
    told.write(caution)
    told.write(caution.model_copy(update={"text": "Another one."}))
    assert [json.loads(line)["text"] for line in stream.getvalue().splitlines()] == [
        "Have services marked.",
        "Another one.",
    ]
