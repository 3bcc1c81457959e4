"""Recorded sessions and logs as live sources, on the run's own clock.

Records keep their distances in time: a pass starts at `clock()` and every record is due at start + its own
`t`, an absolute schedule, so that late wake-ups do not add up. The clock decides the speed: at N times real
speed the run's clock runs N times as fast (the driver's `speed` says so to whoever makes the clock), because
readings and rates of turn only fit each other on the time axis on which they were recorded.
"""

from __future__ import annotations

import asyncio
from abc import abstractmethod
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, cast

from msgspec.structs import replace
from pydantic import Field

from tipdatum_drivers.csv_file import CsvColumns, CsvFile
from tipdatum_drivers.options import FilePath, Options
from tipdatum_drivers.options import Options as DriverOptions
from tipdatum_drivers.reading import Fault, Imu, Record, SessionHeader, Tilt
from tipdatum_drivers.session_file import SessionFile
from tipdatum_drivers.source import Clock, Driver, Emit

BATCH = 200
"""Records delivered at full speed before other tasks get a turn."""

LATENESS_S = 0.2
"""How much later than its `t` a record may be handed over: the event loop's worst usual delay, real s."""


class PacedOptions(Options):
    """How fast and how often a recording is played."""

    speed: Annotated[float, Field(ge=0, le=1000)] = 1.0
    """Times real speed; 0: as fast as it goes."""
    loop: bool = False
    """Start again after the end; each pass is a session of its own."""
    pause_s: Annotated[float, Field(ge=0, le=3600)] = 1.0
    """Between two passes, on the recording's time axis."""


class ReplayOptions(PacedOptions):
    """`kind = "replay"`: recorded sessions, one file or several."""

    file: FilePath | Annotated[tuple[FilePath, ...], Field(min_length=1)]

    def relative_to(self, base: Path) -> ReplayOptions:
        """The same with relative paths taken from `base`, the folder of the service's file."""
        file = self.file
        found = tuple(base / one for one in file) if isinstance(file, tuple) else base / file
        return self.model_copy(update={"file": found})


class CsvReplayOptions(PacedOptions):
    """`kind = "csv-replay"`: a long CSV log of another program, by its columns."""

    file: FilePath
    columns: CsvColumns

    def relative_to(self, base: Path) -> CsvReplayOptions:
        """The same with a relative path taken from `base`, the folder of the service's file."""
        return self.model_copy(update={"file": base / self.file})


class _Paced(Driver):
    """Delivering records when they are due."""

    def __init__(self, options: PacedOptions) -> None:
        self.speed = options.speed
        self.loop = self.endless = options.loop
        self.pause_s = options.pause_s
        self.lateness_s = LATENESS_S * max(1.0, options.speed)

    @abstractmethod
    def _passes(self) -> Iterable[tuple[SessionHeader | None, Iterable[Record], list[str]]]:
        """Header, records and the (later filled) warnings of each pass of one round."""

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Play every file, then stop; see `tipdatum_drivers.source.Driver.run`.

        Raises:
            SessionError: a file is missing or has a line that cannot be read.
        """
        start = clock()
        again = True
        while again:
            again = False
            for header, records, warnings in self._passes():
                if self.on_pass is not None:
                    self.on_pass(header, start)
                end = await self._play(records, start, emit, clock)
                for text in warnings:
                    emit(Fault(end, "replay", "recording cut off", text))
                # A recording of no length is not played in a circle: that would keep the loop from all else.
                again = again or (self.loop and end > start)
                start = end + self.pause_s

    async def _play(self, records: Iterable[Record], start: float, emit: Emit, clock: Clock) -> float:
        """Deliver one pass; returns the clock time of its last record."""
        due = start
        for count, record in enumerate(records):
            due = start + record.t
            await self._until(due, clock)
            if count % BATCH == 0:
                await asyncio.sleep(0)
            emit(moved(record, start))
        return due

    async def _until(self, due: float, clock: Clock) -> None:
        # The run's clock may be scaled or a test's own, so what is left is looked at again after each sleep.
        while self.speed > 0 and (wait := due - clock()) > 0:  # noqa: ASYNC110
            await asyncio.sleep(wait / self.speed)


class ReplayDriver(_Paced):
    """Session files as a source."""

    Options = ReplayOptions

    def __init__(self, options: DriverOptions) -> None:
        self.options = cast("ReplayOptions", options)
        super().__init__(self.options)

    def prepare(self) -> None:
        """Look at every file before anything starts.

        Raises:
            SessionError: one is missing or is no session.
        """
        for path in self._files():
            SessionFile(path)

    @property
    def sensors(self) -> tuple[str, ...]:
        machines = [SessionFile(path).header.machine.get("sensor") for path in self._files()]
        return tuple({name: None for machine in machines if isinstance(machine, dict) for name in machine})

    def _files(self) -> tuple[Path, ...]:
        file = self.options.file
        return file if isinstance(file, tuple) else (file,)

    def _passes(self) -> Iterable[tuple[SessionHeader | None, Iterable[Record], list[str]]]:
        for path in self._files():
            session = SessionFile(path)
            yield session.header, session, session.warnings


class CsvReplayDriver(_Paced):
    """A CSV log as a source."""

    Options = CsvReplayOptions

    def __init__(self, options: DriverOptions) -> None:
        self.options = cast("CsvReplayOptions", options)
        super().__init__(self.options)

    @property
    def sensors(self) -> tuple[str, ...]:
        return tuple(self.options.columns.sensor)

    def prepare(self) -> None:
        """Look at the log's heading.

        Raises:
            SessionError: the file is missing, is no CSV text, or lacks a column that is named.
        """
        CsvFile(self.options.file, self.options.columns)

    def _passes(self) -> Iterable[tuple[SessionHeader | None, Iterable[Record], list[str]]]:
        yield None, CsvFile(self.options.file, self.options.columns), []


def moved(record: Record, seconds: float) -> Record:
    """The same record `seconds` later, its sample time with it."""
    if seconds == 0.0:
        return record
    if isinstance(record, (Imu, Tilt)) and record.t_sample is not None:
        return replace(record, t=record.t + seconds, t_sample=record.t_sample + seconds)
    return replace(record, t=record.t + seconds)
