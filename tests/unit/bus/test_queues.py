"""Live figures are bounded and never old; retained state is the newest of each topic."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tipdatum.bus.queues import LiveQueue, RetainedState


def test_figures_come_out_in_order_and_the_oldest_are_given_up_first() -> None:
    queue = LiveQueue(limit=2, max_age_s=1.0)
    for number in range(4):
        queue.put(0.1 * number, "tip", str(number).encode())
    assert queue.take(0.4, 1000) == [("tip", b"2"), ("tip", b"3")]
    assert queue.take(0.4, 1000) == []
    assert queue.dropped == 2


def test_only_as_much_is_taken_as_there_is_room_for() -> None:
    queue = LiveQueue(limit=10, max_age_s=1.0)
    for _ in range(4):
        queue.put(0.0, "tip", bytes(97))
    assert queue.take(0.0, 0) == []
    assert len(queue.take(0.0, 150)) == 2
    assert queue.waiting == 2


def test_a_figure_that_waited_too_long_is_never_sent() -> None:
    queue = LiveQueue(limit=10, max_age_s=1.0)
    queue.put(0.0, "tip", b"old")
    queue.put(0.9, "tip", b"new")
    assert queue.take(1.5, 1000) == [("tip", b"new")]
    assert queue.dropped == 1


@given(
    st.lists(st.tuples(st.floats(0, 0.5), st.sampled_from(["put", "take", "clear", "refuse"])), max_size=80),
    st.integers(1, 5),
)
def test_every_figure_is_either_taken_or_counted(steps: list[tuple[float, str]], limit: int) -> None:
    queue = LiveQueue(limit, max_age_s=1.0)
    now, given_in, taken, born = 0.0, 0, 0, {}
    for passed, what in steps:
        now += passed
        if what == "put":
            born[str(given_in).encode()] = now
            queue.put(now, "tip", str(given_in).encode())
            given_in += 1
        elif what == "refuse":
            queue.refuse()
            given_in += 1
        elif what == "clear":
            queue.clear()
        else:
            for _, figure in queue.take(now, 8):
                taken += 1
                assert now - born[figure] <= 1.0
    queue.clear()
    assert taken + queue.dropped == given_in


def test_only_the_newest_state_of_a_topic_is_sent_and_once() -> None:
    state = RetainedState(last="status")
    state.put("a", b"1")
    state.put("a", b"2")
    assert state.take() == ("a", b"2")
    assert state.take() is None
    assert not state.due


def test_after_a_new_connection_all_is_due_and_status_last() -> None:
    state = RetainedState(last="status")
    for topic in ("status", "a", "b"):
        state.put(topic, topic.encode())
        state.take()
    state.all_due()
    state.again("nothing known")
    found = [state.take(), state.take(), state.take(), state.take()]
    assert found == [("a", b"a"), ("b", b"b"), ("status", b"status"), None]
