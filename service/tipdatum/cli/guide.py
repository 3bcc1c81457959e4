"""`tipdatum guide`: lead a person with a tablet through a calibration, and keep what is measured.

The page `calibrate.html` of a running service shows what this says on `…/guide` and answers on `…/guide/do`.
"""

from __future__ import annotations

import datetime
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer
from pydantic import ValidationError

from tipdatum.bus.guide_messages import GuideView
from tipdatum.bus.topics import Topics
from tipdatum.calibration.adjustment import adjust
from tipdatum.calibration.foresight import Foreseen, Foresight
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.observations_file import load_observations, save_observations
from tipdatum.calibration.outcome import conclude
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.still import AngleBlock, Block
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.walk import Walk
from tipdatum.calibration.walk_view import view_of
from tipdatum.cli.asker import only_machine
from tipdatum.cli.inputs import read_machine
from tipdatum.cli.listener import Heard
from tipdatum.cli.options import Access, MachineFile, Sessions, talker, with_access
from tipdatum.errors import ConfigError, InputError
from tipdatum.machine.description import Machine
from tipdatum.sentences import said_each
from tipdatum.walltime import to_the_second

EVERY_S = 0.5
"""How often the page is told how things stand."""
POLL_S = 0.03
REPLY_FOR_S = 5.0
"""How long an answer is repeated, for a page that missed it."""

CAUTION = (
    "Before anyone goes near the arm: bucket grounded or blocked, lever locked, engine off and key out, "
    "pressure released. Never under a raised boom."
)


@with_access
def guide(
    machine: MachineFile,
    observations: Annotated[Path, typer.Argument(help="Observations file, new or to go on with.")],
    access: Access,
    sessions: Sessions = None,
    standing: Annotated[
        str, typer.Option(help="Place and heading of the tracks, where it is not to be asked for.")
    ] = "",
) -> None:
    """Lead a calibration from the browser: what comes next, how still it stands, readings kept at once."""
    console = talker()
    described, _ = read_machine(machine)
    file = BookFile(observations, described)
    machine_id = access.machine_id or only_machine(access)
    topics = Topics(machine_id, access.topic_root)
    now = to_the_second(datetime.datetime.now(datetime.UTC))
    walk = Walk(described, file.book, file.keep, f"power-up {now}", now, standing)
    readings = access.listen(topics.of("raw", "+"))
    angles = access.listen(topics.of("angle", "+"))
    orders = access.listen(topics.of("guide", "do"))
    console.print(CAUTION)
    console.print(
        f"Guiding {machine_id}. Open calibrate.html at the address of the service's page (its log names it). "
        f"Everything is kept in {observations}; Ctrl-C ends, the same command goes on from there."
    )
    loop = Loop(walk, described, sessions or [observations.parent])
    try:
        while True:
            for item in readings.take():
                if isinstance(item, Heard):
                    loop.hear(item.payload, Block)
            for item in angles.take():
                if isinstance(item, Heard):
                    loop.hear(item.payload, AngleBlock)
            for item in orders.take():
                if isinstance(item, Heard):
                    loop.order(item.payload)
            view = loop.view(time.monotonic())
            if view is not None:
                orders.publish(topics.of("guide"), orjson.dumps(view))
            time.sleep(POLL_S)
    except KeyboardInterrupt:
        console.print(f"Ended. {observations} holds everything.")
    finally:
        orders.publish(
            topics.of("guide"), orjson.dumps(GuideView(stage="ended").model_dump(exclude_unset=True))
        )
        loop.close()
        readings.close()
        angles.close()
        orders.close()


class BookFile:
    """The observations file while a guide writes it: nobody's edit meanwhile is overwritten.

    Raises:
        ConfigError: the file is there and cannot be read.
    """

    def __init__(self, path: Path, machine: Machine) -> None:
        self._path = path
        there = path.exists()
        self.book = load_observations(path) if there else ObservationBook(machine=machine.name)
        self._seen = path.read_bytes() if there else None

    def keep(self, book: ObservationBook) -> None:
        """Write the book.

        Raises:
            ConfigError: it cannot be written, or the file holds something else than was written last.
        """
        now = self._path.read_bytes() if self._path.exists() else None
        if now != self._seen:
            raise ConfigError(
                str(self._path), "", "another text than was written last: somebody changed it meanwhile",
                "the file as the guide left it; end the guide and start it again",
            )  # fmt: skip
        save_observations(self._path, book)
        self._seen = self._path.read_bytes()


class Loop:
    """Carries readings and answers to the walk, and has plans and verdicts worked out beside it."""

    def __init__(self, walk: Walk, machine: Machine, folders: list[Path]) -> None:
        self._walk, self._machine, self._folders = walk, machine, folders
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="solving")
        self._foresight = Foresight(machine, folders)
        self._plan: tuple[ObservationBook, Future[Foreseen | None]] | None = None
        self._verdict: Future[dict[str, Any]] | None = None
        self._reply: tuple[float, dict[str, Any]] | None = None
        self._shown_at = 0.0
        self._changed = True

    def hear(self, payload: bytes, kind: type[Block | AngleBlock]) -> None:
        """One message of raw readings."""
        try:
            self._walk.feed(kind.model_validate_json(payload), time.monotonic())
        except ValidationError:
            return

    def order(self, payload: bytes) -> None:
        """One answer of the page."""
        try:
            request = orjson.loads(payload)
        except orjson.JSONDecodeError:
            return
        if isinstance(request, dict):
            now = time.monotonic()
            self._reply = now, self._walk.answer(request, now)
            self._changed = True

    def view(self, now: float) -> dict[str, Any] | None:
        """What to show, when it is time for it."""
        self._work()
        if not self._changed and now - self._shown_at < EVERY_S:
            return None
        self._shown_at, self._changed = now, False
        view = view_of(self._walk, now)
        view["time"] = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")
        view["planning"] = self._plan is not None
        if self._reply is not None and now - self._reply[0] < REPLY_FOR_S:
            view["reply"] = self._reply[1]
        return view

    def close(self) -> None:
        """Nothing is waited for."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _work(self) -> None:
        if self._plan is not None and self._plan[1].done():
            (book, future), self._plan = self._plan, None
            plan = future.result()
            if plan is None:
                self._walk.unplanned(book)
            else:
                self._walk.planned(book, plan)
            self._changed = True
        if self._verdict is not None and self._verdict.done():
            self._walk.judged(self._verdict.result())
            self._verdict, self._changed = None, True
        if self._plan is None and self._walk.wants_plan():
            book = self._walk.book
            self._plan = book, self._worker.submit(self._foresight.after, book)
        if self._verdict is None and self._walk.wants_verdict():
            self._verdict = self._worker.submit(verdict_of, self._machine, self._walk.book, self._folders)


def verdict_of(machine: Machine, book: ObservationBook, folders: list[Path]) -> dict[str, Any]:
    """The verdict on what is in the book, as plain data."""
    chosen = book.solving()
    try:
        evidence = gather(book, folders, chosen)
        solution = adjust(make_setup(machine, chosen, evidence, book.assume))
        outcome = conclude(solution, book.digest(), to_the_second(datetime.datetime.now(datetime.UTC)))
    except (ValueError, InputError) as error:
        reasons, settle = [str(error)], list[str]()
        return {
            "word": "refused", "reasons": reasons, "reasons_said": said_each(reasons), "settle": settle,
            "settle_said": [], "set_aside": [], "unchecked": [],
        }  # fmt: skip
    return {
        "word": outcome.verdict.word,
        "reasons": outcome.verdict.reasons,
        "reasons_said": said_each(outcome.verdict.reasons),
        "settle": outcome.verdict.settle,
        "settle_said": said_each(outcome.verdict.settle),
        "set_aside": list(solution.rejected),
        "unchecked": [r.id for r in outcome.unchecked if r.matters],
        "tip_rms_m": outcome.budget.rms_m,
        "tip_worst_m": outcome.budget.worst_m,
    }
