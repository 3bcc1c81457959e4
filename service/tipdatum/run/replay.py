"""Recorded sessions through the pipeline as fast as they go: same input, same bytes out.

Every line is a `tip` message, byte for byte the published one, with `t_emit` added: how far (`t`) the
readings had been taken in by then. The first line has a member `origin` beside: session, machine, build.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import orjson

from tipdatum.bus.messages import Reply, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Emit, Outgoing, rounded
from tipdatum.core.pipeline import Pipeline
from tipdatum.errors import InputError
from tipdatum.machine.description import parse_machine
from tipdatum.results import result_file
from tipdatum.run.build import build
from tipdatum.sessions.tracks import Origin
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.session_file import SessionFile

REFUSALS_TOLD = 10
"""Refused commands that a summary tells one by one."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What a replay came to.

    Attributes:
        session: the session's path. messages: tip messages made. duration_s: session time covered.
        warnings: such as a last line that was cut off, or commands that were refused.
    """

    session: Path
    messages: int
    duration_s: float
    warnings: tuple[str, ...] = ()


def play(session: SessionFile, settings: Settings, emit: Emit) -> None:
    """Hand every message of a session to `emit`, in order.

    Raises:
        SessionError: the file breaks the format; what came before has been handed over.
        ConfigError: the header's machine description cannot be used.
    """
    header = session.header
    if not header.machine:
        raise InputError(f"{session.name}: describes no machine; say which with --machine FILE")
    machine = parse_machine(header.machine, f"{session.name}, machine of the header")
    wall = WallTime(parse_started(header.started, session.name))
    pipeline = Pipeline(machine, settings, wall, emit)
    for record in session.records():
        pipeline.feed(record)
    pipeline.finish()


def origin_of(session: SessionFile, settings: Settings) -> Origin:
    """What a file of tip messages says of where it comes from."""
    return Origin(
        started=session.header.started,
        digest=session.digest(),
        machine=str(session.header.machine.get("name", "")),
        estimator=settings.estimator,
        build=build(),
    )


def tip_line(tip: Tip, t_emit: float, origin: Origin | None = None) -> bytes:
    """A tip message, byte for byte the published one, with `t_emit` as one line, and its origin."""
    fields = {**vars(tip), "t_emit": rounded(t_emit, 6)}
    if origin is not None:
        fields["origin"] = origin.model_dump()
    return orjson.dumps(fields, option=orjson.OPT_APPEND_NEWLINE)


class _TipWriter:
    """Writes the tips of a replay, and counts; everything else goes to `watch`."""

    def __init__(self, out: BinaryIO, watch: Callable[[Outgoing], None] | None, origin: Origin) -> None:
        self._write, self._watch = out.write, watch
        self._origin: Origin | None = origin
        self.count, self.last_t = 0, 0.0
        self.refused: list[str] = []
        """Commands that were refused, in words."""

    def take(self, item: Outgoing) -> None:
        """Take one message of the pipeline."""
        message = item.message
        if isinstance(message, Tip) and item.t_emit is not None:
            self._write(tip_line(message, item.t_emit, self._origin))
            self._origin = None
            self.count += 1
            self.last_t = message.t
            return
        if isinstance(message, Reply) and not message.ok:
            self.refused.append(f"{message.t:.2f} s: {message.command} refused: {message.text}")
        if self._watch is not None:
            self._watch(item)


def replay_file(
    source: Path,
    target: Path,
    settings: Settings,
    *,
    watch: Callable[[Outgoing], None] | None = None,
) -> Summary:
    """Replay one session into `target`, which appears only when it is whole (`tipdatum.results`).

    Args:
        watch: is shown every other message than tips (events, replies, state, health).

    Raises:
        InputError: the session or the target cannot be used.
    """
    session = SessionFile(source)
    # Only tips are written; the arm's pins are for displays, raw means for a calibration.
    settings = replace(settings, arm_every=0, raw=False)
    if target.is_dir():
        raise InputError(f"{target} is a directory; --output wants a file (several sessions: --output-dir)")
    if target.exists() and target.samefile(source):
        raise InputError(f"{target} is the session itself, which its messages would replace")
    with result_file(target) as out:
        tips = _TipWriter(out, watch, origin_of(session, settings))
        play(session, settings, tips.take)
    refused = tips.refused
    if len(refused) > REFUSALS_TOLD:
        refused[REFUSALS_TOLD:] = [f"{len(refused) - REFUSALS_TOLD} more commands were refused"]
    return Summary(Path(session.name), tips.count, tips.last_t, (*session.warnings, *refused))


def replay_many(
    sources: list[Path],
    directory: Path,
    settings: Settings,
    progress: Callable[[Summary | InputError], None],
    jobs: int | None = None,
) -> None:
    """Replay several sessions in parallel processes, one output file each in `directory`.

    One bad session does not stop the others: its error is handed to `progress` in place of a summary.

    Raises:
        InputError: the directory cannot be made.
    """
    # Imported here: one session is replayed in this process.
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool

    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{directory}: no folder can be made there: {error.strerror}") from None
    targets = {source: directory / output_name(source) for source in sources}
    with ProcessPoolExecutor(max_workers=jobs or os.cpu_count(), initializer=_leave_ctrl_c) as pool:
        running = {pool.submit(replay_file, s, t, settings): s for s, t in targets.items()}
        try:
            for done in as_completed(running):
                try:
                    progress(done.result())
                except InputError as error:
                    progress(error)
                except BrokenProcessPool:
                    progress(InputError(f"{running[done]}: its process was ended from outside"))
        except KeyboardInterrupt:
            for child in multiprocessing.active_children():
                child.terminate()
                child.join()
            for target in targets.values():
                for part in directory.glob(f".{target.name}.part*"):
                    part.unlink(missing_ok=True)
            raise


def _leave_ctrl_c() -> None:
    """Ctrl-C reaches every process of the terminal; the first one ends the others."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def output_name(source: Path) -> str:
    """trench.ndjson.gz → trench.tip.ndjson"""
    stem = source.name
    for ending in (".gz", ".ndjson"):
        stem = stem.removesuffix(ending)
    return f"{stem}.tip.ndjson"
