"""The ledger of the work: its state, the one way of changing it; what there is to tell, undo and answer.

Documents of the state never change, so that another thread may write one down while the work goes on, and
what was there before a command is at hand as it was.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, Protocol, TypeAlias

from tipdatum.errors import CommandRefused
from tipdatum.fusion.estimator import Event
from tipdatum.grade.forms import Outcome, Request, refused
from tipdatum.grade.state import AsDug, WorkState
from tipdatum.sentences import sentence

Notice: TypeAlias = Literal["at once", "soon", "none"]
"""When a change moves the revision: the state is published and written to disk each time."""

SOON_S = 1.0
"""Changes that come by themselves by the dozen move the revision at most this often, s."""


@dataclass(frozen=True, slots=True)
class Told(Event):
    """An event with its figures, for the `data` of the event message."""

    data: dict[str, Any] | None = None


class Ledger:
    """State, revision and events.

    Args:
        state: as an earlier run left it, or a fresh one.
        started: wall clock at t = 0, None where there is none.

    Attributes:
        revision: moves on whenever the state wants to be written down.
    """

    def __init__(self, state: WorkState, started: datetime | None) -> None:
        self.revision = 0
        self._state = state
        self._started = started
        self._events: list[Told] = []
        self._waits = False
        self._noticed_t = -math.inf

    @property
    def state(self) -> WorkState:
        """What must outlive a restart."""
        return self._state

    def change(self, *, notice: Notice = "at once", **fields: Any) -> None:
        """Replace fields of the state by name.

        Raises:
            TypeError: the state has no such field.
        """
        unknown = fields.keys() - WorkState.model_fields.keys()
        if unknown:
            raise TypeError(f"the state has no {', '.join(sorted(unknown))}")
        self._state = self._state.model_copy(update=fields)
        if notice == "at once":
            self.revision += 1
        self._waits = self._waits or notice == "soon"

    def pass_time(self, t: float) -> None:
        """Let the revision follow changes that could wait."""
        if self._waits and t - self._noticed_t >= SOON_S:
            self._waits, self._noticed_t = False, t
            self.revision += 1

    def tell(
        self, t: float, kind: str, text: str, sensor: str = "", data: dict[str, Any] | None = None
    ) -> None:
        """Something worth telling happened."""
        self._events.append(Told(t, kind, text, sensor, data))

    def events(self) -> list[Told]:
        """What happened since the last call, oldest first."""
        out, self._events = self._events, []
        return out

    def time(self, t: float) -> str:
        """Wall clock at session time `t`, RFC 3339 UTC to the millisecond; empty when the run has none."""
        return wall_time(self._started, t)

    def day(self, t: float) -> tuple[str, float]:
        """The wall clock's day at session time `t` s, see `day_of`."""
        return day_of(self._started, t)


UNDO_S = 30.0
"""How long a change can be put back, s: time to read the answer and look at the figure."""

FIELDS = (
    "reference", "doubts", "travelled", "place", "marks", "book", "closed", "target", "pipe", "layers",
    "layer", "tolerance", "line", "plane", "bucket", "wear_m", "limits", "points", "auto", "questions",
)  # fmt: skip
"""Of the state, what a person sets. What is only shown or measured (cautions, depth, crossings) stays."""


@dataclass(frozen=True, slots=True)
class Done:
    """A command that changed something: when it was answered, what it said, what was there before.

    `points` is how many there were after it; later ones have come since.
    """

    t: float
    command: str
    text: str
    before: dict[str, Any]
    points: int

    def put_back(self, state: WorkState) -> dict[str, Any]:
        """The fields to go on with instead of those of `state`.

        Put back is what the command changed and nothing else: doubts that have come since stay, and so do
        points recorded since.
        """
        fields = dict(self.before)
        if "doubts" in fields:
            fields["doubts"] = tuple(dict.fromkeys((*fields["doubts"], *state.doubts)))
        if "travelled" in fields:
            fields["travelled"] = fields["travelled"] or state.travelled
        if "points" in fields:
            fields["points"] = _joined(fields["points"], state.points[self.points :])
        return fields


def _joined(points: tuple[AsDug, ...], later: tuple[AsDug, ...]) -> tuple[AsDug, ...]:
    """Points that are back, and those recorded since under the next numbers."""
    first = points[-1].number + 1 if points else 1
    return (*points, *(p.model_copy(update={"number": first + i}) for i, p in enumerate(later)))


class UndoHistory:
    """What can still be put back, the last one last."""

    def __init__(self) -> None:
        self._done: list[Done] = []

    def note(self, before: WorkState, after: WorkState, outcome: Outcome, t: float) -> Outcome:
        """Remember what a command did that was answered at `t`; its outcome, which says so."""
        if not outcome.ok:
            return outcome
        fields = [name for name in FIELDS if _differs(getattr(before, name), getattr(after, name))]
        if fields == ["points"] and len(after.points) > len(before.points):
            # A point is a record of what was; more of them harm nothing.
            fields = []
        if not fields:
            return outcome
        was = {name: getattr(before, name) for name in fields}
        self._done.append(Done(t, outcome.command, outcome.text, was, len(after.points)))
        return replace(outcome, result={**outcome.result, "undo_s": UNDO_S})

    def take_last(self, t: float) -> Done | None:
        """The last change that can be put back at `t`, taken off."""
        self._done = [one for one in self._done if 0.0 <= t - one.t <= UNDO_S]
        return self._done.pop() if self._done else None


def _differs(before: object, after: object) -> bool:
    return before is not after and before != after


class Waiting(Protocol):
    """A command that waits for something: a still moment, crossings of a laser's plane."""

    @property
    def request(self) -> Request:
        """The command."""

    def answer(self, t: float) -> Outcome | None:
        """Its outcome, None while it waits on.

        Raises:
            CommandRefused: it cannot be carried out.
        """


class WaitingCommands:
    """Commands whose moment has not come, and the answers of those whose moment came."""

    def __init__(self, ledger: Ledger, changes: UndoHistory) -> None:
        self._ledger = ledger
        self._changes = changes
        self._waiting: list[Waiting] = []
        self._answers: list[Outcome] = []

    def add(self, one: Waiting) -> None:
        """Let a command wait."""
        self._waiting.append(one)

    def supersede(self, name: str) -> None:
        """Of the same command sent twice the later one waits on."""
        late = [one.request for one in self._waiting if one.request.name == name]
        self._answers += [refused(request, sentence("replaced-by-later", command=name)) for request in late]
        self._waiting = [one for one in self._waiting if one.request.name != name]

    def serve(self, t: float) -> None:
        """Answer the commands whose moment has come, or whose patience is at its end."""
        waiting, self._waiting = self._waiting, []
        for one in waiting:
            before = self._ledger.state
            try:
                answer = one.answer(t)
            except CommandRefused as reason:
                answer = refused(one.request, str(reason))
            if answer is None:
                self._waiting.append(one)
            else:
                self._answers.append(self._changes.note(before, self._ledger.state, answer, t))

    def answers(self) -> list[Outcome]:
        """Those since the last call, oldest first."""
        out, self._answers = self._answers, []
        return out


def without(mapping: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """The mapping without these names."""
    return {name: value for name, value in mapping.items() if name not in names}


def wall_time(started: datetime | None, t: float) -> str:
    """Wall clock at session time `t` s when `started` was the clock at t = 0; empty without one."""
    if started is None:
        return ""
    moment = (started + timedelta(seconds=t)).astimezone(UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def day_of(started: datetime | None, t: float) -> tuple[str, float]:
    """The wall clock's day at session time `t` s, such as 2026-05-04, and the session time when it ends.

    Without a wall clock there is no day, and the empty one never ends.
    """
    if started is None:
        return "", math.inf
    day = wall_time(started, t)[:10]
    midnight = datetime.fromisoformat(day).replace(tzinfo=UTC) + timedelta(days=1)
    return day, (midnight - started).total_seconds()
