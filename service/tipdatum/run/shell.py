"""The running service: clocks, tasks, ports, threads and sockets are here and nowhere further in.

Everything it does is carry: readings and orders into the `Pipeline`, messages from it to the bus, records to
the recorder, the state to its file. The path from a reading to its message never waits: files, DNS, TLS and
broker hiccups happen on other threads.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from tipdatum.bus.broker import BrokerAddresses, EmbeddedBroker
from tipdatum.bus.client import BusClient
from tipdatum.bus.messages import Status
from tipdatum.bus.options import PLAIN_PORT
from tipdatum.bus.orders import Order
from tipdatum.bus.topics import Topics
from tipdatum.config import Service, load_service
from tipdatum.core.pipeline import Pipeline
from tipdatum.errors import CommandRefused, InputError
from tipdatum.grade.commands import EVENT_AGAIN
from tipdatum.grade.state import WorkState
from tipdatum.run.clocks import RunClock
from tipdatum.run.intake import Intake
from tipdatum.run.log_lines import log
from tipdatum.run.logs import log_connection, log_trouble
from tipdatum.run.openings import BrokerPlace, about_message, open_broker, open_page, open_recorder
from tipdatum.run.outlet import Outlet, soon
from tipdatum.run.reload import reloaded
from tipdatum.run.signals import heeded
from tipdatum.run.state_file import Remembered, StateFile, default_directory
from tipdatum.run.state_keeper import StateKeeper
from tipdatum.run.ticker import Ticker, Turn
from tipdatum.run.watch import RunWatch, notify
from tipdatum.sessions.recorder import Recorder
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Command, Fault, Record, SessionHeader
from tipdatum_drivers.registry import find_driver
from tipdatum_drivers.source import Driver

DRIVER_RETRY_S = 1.0
LAST_TICKS = 3
"""Until the figures of a recording's last readings have been published."""


@dataclass(frozen=True, slots=True)
class Ready:
    """Where a running service can be reached."""

    machine_id: str
    topics: Topics
    broker_host: str
    broker_port: int
    addresses: BrokerAddresses | None
    page_url: str | None


class Shell:
    """One running service.

    Args:
        service: the checked service file.
        record: a session file, or a folder for session files, instead of the service file's.
        remember: whether state is read at start and kept; a demonstration forgets.
        until_end: whether to stop once every driver has come to its end.
        on_ready: told once where everything listens.
        pages: path in the address → file, of pages beside the display's own.
    """

    def __init__(
        self,
        service: Service,
        *,
        record: Path | None = None,
        remember: bool = True,
        until_end: bool = False,
        on_ready: Callable[[Ready], None] | None = None,
        pages: Mapping[str, Path] | None = None,
    ) -> None:
        self.service = service
        self._until_end = until_end
        self.topics = Topics(service.machine_id, service.broker.topic_root)
        self._record = record
        self._on_ready = on_ready
        self._pages = pages
        self._drivers = [(table.kind, find_driver(table.kind)(table.options)) for table in service.drivers]
        for kind, driver in self._drivers:
            if until_end and driver.endless:
                raise InputError(f"--until-end is for recordings played once; {kind} never comes to an end")
        self._clock = RunClock(max((driver.speed or 1.0 for _, driver in self._drivers), default=1.0))
        self._intake = Intake(
            (driver for _, driver in self._drivers),
            self._clock,
            self._take,
            self._fetch if service.settings.on_arrival else None,
        )
        self._ticker = Ticker(self._clock, service.settings.period_s, self._tick)
        self._turn = Turn()  # over intake, pipeline and wall time
        self._wall = WallTime(self._clock.started)
        directory = service.state_directory or default_directory()
        self._file = StateFile(directory, service.machine_id) if remember else None
        self._keeper = StateKeeper(self._file, self._present_state, self._disk_trouble)
        self._outlet = Outlet(
            self._turn,
            self._keeper if remember else None,
            self._wall,
            self._clock,
            lambda: self._pipeline.work.state,
        )
        self._stopping = asyncio.Event()
        self._broken: BaseException | None = None
        self._recorder: Recorder | None = None
        self._broker: EmbeddedBroker | None = None
        self._first_pass = True
        self._pipeline = self._start_pipeline()

    # -- life ----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until `stop` or a signal.

        Raises:
            InputError: something that the service file names cannot be used.
        """
        try:
            await self._run()
        finally:
            if self._file is not None:
                self._file.close()

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        async with contextlib.AsyncExitStack() as stack:
            stack.enter_context(heeded(loop, self.stop, self._reload))
            ready = await self._open(stack)
            self._announce(ready)
            tasks = [asyncio.create_task(self._drive(kind, driver)) for kind, driver in self._drivers]
            if self._until_end:
                tasks.append(asyncio.create_task(self._stop_after(list(tasks))))
            watch = RunWatch(
                self._ticker, self._keeper, self._broker, self._lost, self._wall_moved, self._was_suspended
            )
            tasks += watch.tasks()
            self._keeper.start()
            self._ticker.start()
            stack.callback(self._ticker.stop)
            notify("READY=1")
            await self._stopping.wait()
            notify("STOPPING=1")
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._ticker.stop()
            await asyncio.to_thread(self._keeper.stop)
        if self._broken is not None:
            raise self._broken

    async def _stop_after(self, drivers: list[asyncio.Task[None]]) -> None:
        await asyncio.gather(*drivers)
        await asyncio.sleep(LAST_TICKS * self.service.settings.period_s)
        self.stop()

    def stop(self) -> None:
        """End the service gracefully."""
        self._stopping.set()

    # -- starting ------------------------------------------------------------------------------------

    async def _open(self, stack: contextlib.AsyncExitStack) -> Ready:
        """Open everything that may turn out to be unusable first; only then tell the bus that we are here."""
        for _, driver in self._drivers:
            await asyncio.to_thread(driver.prepare)
        place = await asyncio.to_thread(open_broker, self.service)
        if place.broker is not None:
            self._broker = place.broker
            stack.callback(place.broker.stop)
        self._turn.bus = bus = self._make_bus(place)
        stack.callback(self._outlet.say_goodbye)
        page = open_page(self.service, place, self._pages)
        if page is not None:
            stack.callback(page.close)
        # The recorder comes last of those: a start that fails leaves no file in the way of the next one.
        self._start_recorder(stack)
        bus.publish("about", "", about_message(self.service, self._wall.rfc3339(0.0)))
        bus.publish("status", "", Status(state="online", time=self._wall.rfc3339(self._clock())))
        with self._turn:
            self._pipeline.publish_retained()
            self._pipeline.speak()
        bus.start()
        return Ready(
            self.service.machine_id,
            self.topics,
            place.options.host or "127.0.0.1",
            place.options.actual_port,
            place.addresses,
            page.url if page else None,
        )

    def _start_pipeline(self) -> Pipeline:
        found = self._file.load(time.time()) if self._file else Remembered(None, None)
        if found.warning:
            log.warning("state of another kind", reason=found.warning)
        return Pipeline(
            self.service.machine,
            self.service.settings,
            self._wall,
            self._outlet.publish,
            state=found.state,
            state_age_s=found.age_s,
        )

    def _make_bus(self, place: BrokerPlace) -> BusClient:
        loop = asyncio.get_running_loop()
        base = self.service.path.parent
        outbox = self._file.path.with_suffix(".outbox") if self._file else None
        return BusClient(
            place.options,
            self.topics,
            on_order=lambda order: soon(loop, self._order, order),
            on_state=lambda state: soon(loop, log_connection, state),
            on_trouble=lambda text: soon(loop, log_trouble, text),
            outbox=outbox,
            password=place.password,
            base=base,
        )

    def _start_recorder(self, stack: contextlib.AsyncExitStack) -> None:
        loop = asyncio.get_running_loop()
        self._recorder = open_recorder(
            self.service,
            self._record,
            self._clock.started,
            on_fault=lambda text: soon(loop, self._recording_fault, text),
        )
        if self._recorder is not None:
            stack.callback(self._recorder.close)

    def _announce(self, ready: Ready) -> None:
        log.info("broker", host=ready.broker_host, port=ready.broker_port, topics=f"{self.topics.base}/#")
        if ready.addresses is not None:
            ours = ready.addresses
            log.info("embedded broker", mqtt=ours.port, websockets=ours.ws_port)
            if ours.port != PLAIN_PORT and self.service.broker.embedded.port is None:
                log.info(f"port {PLAIN_PORT} is taken", watch=f"tipdatum watch --port {ours.port}")
        if ready.page_url is not None:
            log.info("page", url=ready.page_url)
        elif self.service.display.enabled:
            log.info("no page", reason="[display] websocket names no WebSocket address of the broker")
        if self._recorder is not None:
            log.info("recording", to=str(self._recorder.state.file))
        if self._on_ready is not None:
            self._on_ready(ready)

    # -- carrying ------------------------------------------------------------------------------------

    def _tick(self) -> None:
        with self._turn:
            self._pipeline.advance(self._intake.now())

    def _fetch(self) -> None:
        with self._turn:
            self._intake.fetch()

    def _emit(self, record: Record | Fault) -> None:
        """A record from a driver that keeps none, on the event loop."""
        with self._turn:
            self._intake.take(record)

    def _take(self, record: Record | Fault) -> None:
        if self._recorder is not None and not isinstance(record, Fault):
            self._recorder.record(record)
        try:
            self._pipeline.feed(record)
        except Exception:
            # A defect of ours costs this record; the tick goes on with the others.
            log.exception("internal fault; going on", name="feed")

    def _order(self, order: Order) -> None:
        with self._turn:
            t = self._intake.now()
            self._pipeline.advance(t)
            if order.refusal is not None:
                self._pipeline.refuse(order.name, order.refusal, t, by=order.by, request_id=order.request_id)
                return
            if order.name == EVENT_AGAIN:
                try:
                    self._outlet.send_again(order)
                except CommandRefused as why:
                    self._pipeline.refuse(order.name, str(why), t, by=order.by, request_id=order.request_id)
                return
            if self._recorder is not None:
                self._recorder.record(Command(t, order.name, order.body))
            self._pipeline.command(order.name, order.body, t, by=order.by, request_id=order.request_id)

    def _present_state(self) -> WorkState:
        with self._turn:
            return self._pipeline.work.state

    def _disk_trouble(self, why: str | None) -> None:
        """The state could not be written, or can again. From the keeper's thread."""
        with self._turn:
            self._pipeline.not_saved(why)

    def _recording_fault(self, text: str) -> None:
        log.error("recording stopped", reason=text)
        with self._turn:
            self._outlet.tell("recording stopped", text)

    # -- tasks ---------------------------------------------------------------------------------------

    async def _drive(self, kind: str, driver: Driver) -> None:
        """Keep one driver going; what a device does never ends the service."""
        driver.on_pass = self._new_pass
        while True:
            try:
                await driver.run(self._emit, self._clock)
            except InputError as error:
                self._broken = error
                self.stop()
                return
            except Exception as error:
                log.exception("driver failed; trying again", name=kind)
                self._emit(Fault(self._clock(), kind, "driver failed", str(error)))
                await asyncio.sleep(DRIVER_RETRY_S)
            else:
                log.info("driver has come to its end", name=kind)
                return

    def _new_pass(self, header: SessionHeader | None, start_t: float) -> None:
        """A recording begins: the first pass goes on with what was set, later ones start afresh."""
        first, self._first_pass = self._first_pass, False
        if first:
            return
        with self._turn:
            self._pipeline = Pipeline(
                self.service.machine, self.service.settings, self._wall, self._outlet.publish
            )
            self._pipeline.skip_to(start_t)
            self._pipeline.publish_retained()
            self._pipeline.speak()
        log.info("the recording begins anew")
        self._outlet.another_pass()

    def _wall_moved(self, by_s: float) -> None:
        with self._turn:
            self._wall.move(by_s)

    def _was_suspended(self, for_s: float) -> None:
        with self._turn:
            self._pipeline.was_suspended(self._intake.now(), for_s)

    def _lost(self) -> dict[str, int]:
        """What was lost on the way out since the start, by what it is.

        Not live figures: without a connection they go by design, and the log tells of the connection.
        """
        lost = {}
        if self._turn.bus is not None:
            lost["events"] = self._turn.bus.counters.events_dropped
        if self._recorder is not None:
            lost["readings for the recording"] = self._recorder.state.dropped
        return lost

    def _reload(self) -> None:
        """SIGHUP: take over what can change without a restart, and say what cannot."""
        try:
            change = reloaded(self.service, load_service(self.service.path))
        except InputError as error:
            self._say_reload("reload refused; going on as before", str(error))
            return
        self.service = change.service
        with self._turn:
            self._pipeline.reload(self.service.machine, self.service.settings)
            if self._turn.bus is not None:
                self._turn.bus.publish("about", "", about_message(self.service, self._wall.rfc3339(0.0)))
        if change.waits:
            self._say_reload("reload: these wait for a restart", "; ".join(change.waits))
        self._say_reload("reloaded", ", ".join(change.taken) or "nothing that is in use has changed")

    def _say_reload(self, kind: str, text: str) -> None:
        """To the log and, since whoever sent the signal may watch from elsewhere, to the bus."""
        with self._turn:
            self._pipeline.tell(kind, text)
