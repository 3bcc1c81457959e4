"""Where the time of a replay goes, stage by stage; see `service_cost.py`, which reports it.

One run notes what passes between the stages; then each stage runs alone over what was noted, and the whole
once more around an estimator that only gives the noted answers. Every figure is processor time, the least of
several runs, so that other programs on the machine count as little as possible.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tipdatum.bus.messages import Tip
from tipdatum.config import Settings
from tipdatum.core import pipeline as pipeline_module
from tipdatum.core.messages_out import Outgoing, tip_message
from tipdatum.core.pipeline import Pipeline
from tipdatum.fusion.estimator import Estimator, make_estimator
from tipdatum.grade.report import TipReport
from tipdatum.grade.work import Work
from tipdatum.machine.description import parse_machine
from tipdatum.run.replay import play, replay_file, tip_line
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Command, Imu, Record, Slew, Tilt
from tipdatum_drivers.session_file import SessionFile


class Noting:
    """An estimator that notes what it was given and what it answered, in order."""

    def __init__(self, estimator: Estimator) -> None:
        self._estimator = estimator
        self.calls: list[tuple[str, tuple[Any, ...]]] = []
        self.answers: dict[str, list[Any]] = {}

    def __getattr__(self, name: str) -> Callable[..., Any]:
        method = getattr(self._estimator, name)

        def noted(*arguments: Any) -> Any:
            self.calls.append((name, arguments))
            answer = method(*arguments)
            if name != "consume":
                self.answers.setdefault(name, []).append(answer)
            return answer

        return noted


class Answering:
    """Gives the noted answers again, method by method, at no cost of its own."""

    def __init__(self, answers: dict[str, list[Any]]) -> None:
        self._next = {name: iter(given).__next__ for name, given in answers.items()}

    def consume(self, reading: Imu | Tilt | Slew) -> None:
        """Nothing is computed."""

    def __getattr__(self, name: str) -> Callable[..., Any]:
        following = self._next[name]
        return lambda *_: following()


@dataclass
class Noted:
    """What passed between the stages of one replay."""

    estimator: Noting | None = None
    records: list[Record] = field(default_factory=list)
    ticks: list[tuple[int, float]] = field(default_factory=list)
    """How many records had come before each report, and the report's `t`."""
    reports: list[TipReport] = field(default_factory=list)
    tips: list[tuple[Tip, float]] = field(default_factory=list)


def least(work: Callable[[], object], runs: int) -> float:
    """Processor time of `work` in seconds, the least of several runs."""
    times = []
    for _ in range(runs):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return min(times)


def measure(session: Path, folder: Path, runs: int) -> dict[str, Any]:
    """Replay `session`; seconds of processor time for the whole, for each stage, and without the estimator.

    The last two stages are differences: "carrying" is what the replay takes without its estimator beyond the
    stages before it, "sharing" what whole and stages differ by, since they share the processor's caches.

    Args:
        folder: for what the replay writes.
    """
    settings, noted = Settings(), _noted(session)
    header = SessionFile(session).header
    machine = parse_machine(header.machine, str(session))
    wall = WallTime(parse_started(header.started, str(session)))
    estimator = noted.estimator
    assert estimator is not None

    def decode() -> None:
        for _ in SessionFile(session).records():
            pass

    def plausibility() -> None:
        monitors = {name: SensorMonitor(name, sensor) for name, sensor in machine.sensor.items()}
        for record in noted.records:
            if isinstance(record, (Imu, Tilt, Slew)):
                monitors[record.sensor].check(record)

    def fusion() -> None:
        fresh = make_estimator(settings.estimator, machine, settings.period_s)
        for name, arguments in estimator.calls:
            getattr(fresh, name)(*arguments)

    def grade() -> None:
        answering: Any = Answering(estimator.answers)
        work = Work(machine, answering, settings.work, None, wall.started)
        heard = 0
        for count, t in noted.ticks:
            for record in noted.records[heard:count]:
                if isinstance(record, Command):
                    work.command(record.name, record.body, record.t, "session")
                    _taken(work, answering)
                elif isinstance(record, (Imu, Tilt, Slew)):
                    work.hear(record)
            heard = count
            work.report(t)
            _taken(work, answering)

    def messages() -> None:
        for report in noted.reports:
            tip_message(report, wall)

    def writing() -> None:
        with (folder / "written.ndjson").open("wb", buffering=1 << 20) as out:
            for tip, t_emit in noted.tips:
                out.write(tip_line(tip, t_emit))

    def replayed() -> None:
        replay_file(session, folder / "tip.ndjson", settings)

    def around() -> None:
        with _estimators_made_by(lambda *_: Answering(estimator.answers)):
            replayed()

    whole, without_fusion = least(replayed, runs), least(around, runs)
    stages = {
        work.__name__: least(work, runs) for work in (decode, plausibility, fusion, grade, messages, writing)
    }
    stages["carrying"] = max(0.0, without_fusion + stages["fusion"] - sum(stages.values()))
    stages["sharing"] = max(0.0, whole - sum(stages.values()))
    seconds = noted.tips[-1][0].t - noted.tips[0][0].t
    return {
        "session": session.name,
        "session_s": seconds,
        "readings": len(noted.records),
        "ticks": len(noted.ticks),
        "whole_s": whole,
        "without_fusion_s": without_fusion,
        "times_real_time": seconds / whole,
        "ratio_to_decoding": whole / stages["decode"],
        "stages_s": stages,
        "shares": {name: took / whole for name, took in stages.items()},
    }


@contextmanager
def _estimators_made_by(make: Callable[..., Any]) -> Iterator[None]:
    """The pipeline takes its estimators from `make`."""
    usual = pipeline_module.make_estimator
    pipeline_module.make_estimator = make
    try:
        yield
    finally:
        pipeline_module.make_estimator = usual


def _taken(work: Work, answering: Any) -> None:
    """What the pipeline fetches after each tick and command."""
    work.events()
    answering.events()
    work.outcomes()


def _noted(session: Path) -> Noted:
    """One replay, wrapped from outside: the service itself carries no measuring code."""
    noted = Noted()
    feed, report = Pipeline.feed, Work.report

    def noting_make(*arguments: Any) -> Any:
        noted.estimator = Noting(make_estimator(*arguments))
        return noted.estimator

    def noting_feed(pipeline: Pipeline, record: Any) -> None:
        feed(pipeline, record)
        noted.records.append(record)

    def noting_report(work: Work, t: float) -> TipReport:
        found = report(work, t)
        noted.ticks.append((len(noted.records), t))
        noted.reports.append(found)
        return found

    def noting_emit(item: Outgoing) -> None:
        if isinstance(item.message, Tip) and item.t_emit is not None:
            noted.tips.append((item.message, item.t_emit))

    Pipeline.feed = noting_feed  # type: ignore[method-assign,assignment]
    Work.report = noting_report  # type: ignore[method-assign]
    try:
        with _estimators_made_by(noting_make):
            play(SessionFile(session), Settings(), noting_emit)
    finally:
        Pipeline.feed = feed  # type: ignore[method-assign]
        Work.report = report  # type: ignore[method-assign]
    return noted
