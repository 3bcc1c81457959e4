"""Keeps the state on the disk while the service runs, off the path from reading to message.

A thread of its own writes, because a disk may take its time: neither a tick nor the event loop waits for it.
An answer that says `ok` waits here until the state that it speaks of is on the disk (`when_saved`), or until
it is known that it is not.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable

from tipdatum.grade.state import WorkState
from tipdatum.run.log_lines import log
from tipdatum.run.state_file import StateFile

SAVE_WITHIN_S = 0.05
"""A changed state is on the disk this soon; several changes within it are one write. Where an answer waits it
is written at once."""
SAVE_ANYWAY_S = 30.0
"""The estimator goes on correcting the reference as it learns of mounts; that is kept this often."""
SAVE_RETRY_S = 2.0
"""After a write that failed: a full disk may have room again, and a person has the message meanwhile."""
ANSWER_WITHIN_S = 2.0
"""An answer waits no longer than this for a disk that has stopped."""
ALIVE_EVERY_S = 2.0
END_WITHIN_S = 5.0
"""How long an end waits for the last write; systemd waits longer."""

Answer = Callable[[str | None], None]
"""Sends an answer; told why it is not saved, None when it is on the disk."""


class StateKeeper:
    """Writes the state when it has changed, and notes now and then that the service lives.

    Args:
        file: where it goes; None keeps nothing.
        state: gives the present state.
        on_trouble: told why the last write failed, at every try, and None when one has worked again. Called,
            as the answers are, from the keeper's thread.
    """

    def __init__(
        self,
        file: StateFile | None,
        state: Callable[[], WorkState],
        on_trouble: Callable[[str | None], None] = lambda why: None,
    ) -> None:
        self._file = file
        self._state = state
        self._on_trouble = on_trouble
        self._changed = threading.Condition()
        self._due = self._stopping = False
        self._waiting: list[tuple[WorkState, float, Answer]] = []
        self._saved: WorkState | None = None
        self._trouble: str | None = None
        self._begun: float | None = None
        self._thread = threading.Thread(target=self._run, name="state", daemon=True)

    def start(self) -> None:
        """Begin to keep it."""
        if self._file is not None:
            self._thread.start()

    def stop(self) -> None:
        """Write it a last time and end."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        if self._thread.is_alive():
            self._thread.join(END_WITHIN_S)
        for _, _, answer in self._waiting:
            answer("the service stops")

    def changed(self) -> None:
        """The state is another than the one on the disk. From any thread."""
        with self._changed:
            self._due = True
            self._changed.notify()

    def when_saved(self, state: WorkState, answer: Answer) -> bool:
        """Have `answer` called once `state` is on the disk; False, and no call, where it is there already.

        From any thread.
        """
        if self._file is None or state is self._saved:
            return False
        with self._changed:
            self._waiting.append((state, time.monotonic(), answer))
            self._due = True
            self._changed.notify()
        return True

    def give_up_waiting(self) -> None:
        """Send the answers that have waited for too long; to be called once a second or so."""
        before = time.monotonic() - ANSWER_WITHIN_S
        with self._changed:
            late = [one for one in self._waiting if one[1] < before]
            self._waiting = [one for one in self._waiting if one[1] >= before]
        for _, since, answer in late:
            answer(f"the disk has been writing for {time.monotonic() - since:.0f} s")

    def _run(self) -> None:
        assert self._file is not None
        written_at = time.monotonic()
        while not self._stopping:
            with self._changed:
                self._changed.wait_for(lambda: self._due or self._stopping, ALIVE_EVERY_S)
                due, answers = self._due, bool(self._waiting)
            now = time.monotonic()
            if due or self._trouble is not None or now - written_at >= SAVE_ANYWAY_S:
                if not answers and not self._stopping:
                    with self._changed:
                        wait = SAVE_WITHIN_S if self._trouble is None else SAVE_RETRY_S
                        self._changed.wait_for(lambda: bool(self._waiting) or self._stopping, wait)
                self.save()
                written_at = time.monotonic()
            else:
                # Where it cannot be noted, a later start takes the absence for longer, which errs to doubt.
                with contextlib.suppress(OSError):
                    self._file.touch()
        self.save()

    def save(self) -> None:
        """Write it now, and send the answers that waited for it. Of the keeper's thread."""
        if self._file is None:
            return
        # First, so that a change that comes meanwhile is written the next time.
        with self._changed:
            self._due = False
            waiting, self._waiting = self._waiting, []
        try:
            state = self._state()
            # An answer that has waited too long is sent without the disk; these wait on meanwhile.
            with self._changed:
                self._waiting = waiting + self._waiting
            if state is self._saved:
                self._file.touch()
            else:
                self._file.save(state)
            why = None
        except OSError as error:
            why = error.strerror or str(error)
        except Exception as error:
            # A defect of ours; whatever waits for an answer gets one.
            log.exception("internal fault; going on", name="state")
            why = f"internal fault ({type(error).__name__})"
        if why is None:
            self._saved = state
        taken = {id(one) for one in waiting}
        with self._changed:
            ours = [one for one in self._waiting if id(one) in taken]
            self._waiting = [one for one in self._waiting if id(one) not in taken]
        if why is not None:
            with self._changed:
                self._due = True
            log.error("state not saved; trying again", reason=why)
        before, self._trouble = self._trouble, why
        if why is not None or before is not None:
            self._on_trouble(why)
        for _, _, answer in ours:
            answer(why)
