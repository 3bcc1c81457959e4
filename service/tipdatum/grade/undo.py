"""Putting back what a command changed, for half a minute from its answer.

Put back is what the command changed and nothing else: doubts that have come since stay, and so do points
recorded since. A reference that is put back has its figures, not its tie to the estimator: errors of its
touch and of the present count as independent from then on.
"""

from __future__ import annotations

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import Nothing, Outcome, Request, done
from tipdatum.grade.ledger import UNDO_S
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import AsDug
from tipdatum.sentences import sentence


def undo(site: Site, body: Nothing, request: Request) -> Outcome:
    """Put the last change back."""
    last = site.changes.take_last(request.t)
    if last is None:
        raise CommandRefused(sentence("nothing-to-undo", seconds_whole_s=UNDO_S))
    state, before = site.state, dict(last.before)
    since = {name: getattr(state, name) for name in before}
    if "doubts" in before:
        before["doubts"] = tuple(dict.fromkeys((*before["doubts"], *since["doubts"])))
    if "travelled" in before:
        before["travelled"] = before["travelled"] or since["travelled"]
    if "points" in before:
        before["points"] = _joined(before["points"], since["points"][last.points :])
    site.change(**before)
    if "reference" in before:
        site.tie_anew()
    if "bucket" in before or "wear_m" in before:
        site.remount(site.mounted.description)
    site.ledger.tell(request.t, "undone", f"{last.command} was put back.")
    return done(
        request,
        sentence("put-back", command=last.command, answer=last.text),
        command=last.command,
    )


def _joined(points: tuple[AsDug, ...], later: tuple[AsDug, ...]) -> tuple[AsDug, ...]:
    """Points that are back, and those recorded since under the next numbers."""
    first = points[-1].number + 1 if points else 1
    return (*points, *(p.model_copy(update={"number": first + i}) for i, p in enumerate(later)))


COMMANDS = {"change/undo": Spec(Nothing, undo, "Put the last change back, within 30 s of its answer.", False)}
