"""The running service: clocks, tasks, ports, threads and sockets are here and nowhere further in.

Everything it does is carry: readings and orders into the `Pipeline`, messages from it to the bus, records to
the recorder, the state to its file. The path from a reading to its message never waits: files, DNS, TLS and
broker hiccups happen on other threads.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import signal
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

import structlog

from tipdatum.bus.broker import BrokerAddresses, EmbeddedBroker
from tipdatum.bus.client import BusClient
from tipdatum.bus.messages import Happening, Health, Reply, Status
from tipdatum.bus.options import PLAIN_PORT
from tipdatum.bus.orders import Order
from tipdatum.bus.topics import Topics
from tipdatum.bus.trouble import ConnectionState
from tipdatum.config import Service, load_service
from tipdatum.core.pipeline import Outgoing, Pipeline
from tipdatum.errors import CommandRefused, InputError
from tipdatum.grade.commands import EVENT_AGAIN, EventAgain, parse_body
from tipdatum.grade.state import WorkState
from tipdatum.run import systemd
from tipdatum.run.clocks import ClockWatch, RunClock
from tipdatum.run.intake import Intake
from tipdatum.run.logs import Losses
from tipdatum.run.openings import BrokerPlace, about_message, open_broker, open_page, open_recorder
from tipdatum.run.reload import reloaded
from tipdatum.run.state_file import Remembered, StateFile, default_directory
from tipdatum.run.state_keeper import StateKeeper
from tipdatum.run.ticker import Ticker
from tipdatum.run.turn import Turn
from tipdatum.sessions.recorder import Recorder
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Command, Fault, Record, SessionHeader
from tipdatum_drivers.registry import find_driver
from tipdatum_drivers.source import Driver

log = structlog.get_logger()

DRIVER_RETRY_S = 1.0
TASK_RETRY_S = 1.0
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
    """

    def __init__(
        self,
        service: Service,
        *,
        record: Path | None = None,
        remember: bool = True,
        until_end: bool = False,
        on_ready: Callable[[Ready], None] | None = None,
    ) -> None:
        self.service = service
        self._until_end = until_end
        self.topics = Topics(service.machine_id, service.broker.topic_root)
        self._record = record
        self._on_ready = on_ready
        self._drivers = [(table.kind, find_driver(table.kind)(table.options)) for table in service.drivers]
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
        self._stopping = asyncio.Event()
        self._broken: BaseException | None = None
        self._recorder: Recorder | None = None
        self._broker: EmbeddedBroker | None = None
        self._bus: BusClient | None = None
        self._first_pass = True
        self._sensor_states: dict[str, str] = {}
        self._sensor_texts: dict[str, str] = {}
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
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self.stop)
        loop.add_signal_handler(signal.SIGHUP, self._reload)
        async with contextlib.AsyncExitStack() as stack:
            ready = await self._open(stack)
            self._announce(ready)
            tasks = [asyncio.create_task(self._drive(kind, driver)) for kind, driver in self._drivers]
            if self._until_end:
                tasks.append(asyncio.create_task(self._stop_after(list(tasks))))
            tasks += [
                asyncio.create_task(_keep_going(work)) for work in (self._watch_clocks, self._watch_broker)
            ]
            self._keeper.start()
            self._ticker.start()
            stack.callback(self._ticker.stop)
            systemd.notify("READY=1")
            await self._stopping.wait()
            systemd.notify("STOPPING=1")
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
        self._bus = self._turn.bus = bus = self._make_bus(place)
        stack.callback(self._say_goodbye)
        page = open_page(self.service, place)
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
            self._publish,
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
            on_order=lambda order: _soon(loop, self._order, order),
            on_state=lambda state: _soon(loop, self._bus_state, state),
            on_trouble=lambda text: _soon(loop, _log_trouble, text),
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
            on_fault=lambda text: _soon(loop, self._recording_fault, text),
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
                self._send_again(order, t)
                return
            if self._recorder is not None:
                self._recorder.record(Command(t, order.name, order.body))
            self._pipeline.command(order.name, order.body, t, by=order.by, request_id=order.request_id)

    def _send_again(self, order: Order, t: float) -> None:
        """Have the bus send events once more; its network thread knows which it has."""
        loop = asyncio.get_running_loop()
        try:
            _, body = parse_body(order.name, order.body)
        except CommandRefused as reason:
            self._pipeline.refuse(order.name, str(reason), t, by=order.by, request_id=order.request_id)
            return
        if self._bus is not None and isinstance(body, EventAgain):
            tell = functools.partial(_soon, loop, self._sent_again, order)
            self._bus.send_again(body.first, body.most, tell)

    def _sent_again(self, order: Order, numbers: list[int]) -> None:
        t = self._clock()
        text = f"{len(numbers)} events are sent again" + (
            f", {numbers[0]} to {numbers[-1]}." if numbers else ": none of these numbers is kept."
        )
        result = {"first": numbers[0], "next": numbers[-1] + 1} if numbers else None
        reply = Reply(
            t=round(t, 6),
            time=self._wall.rfc3339(t),
            command=order.name,
            ok=True,
            text=text,
            request_id=order.request_id,
            result=result,
        )
        with self._turn:
            self._publish(Outgoing("reply", reply))

    def _present_state(self) -> WorkState:
        with self._turn:
            return self._pipeline.work.state

    def _publish(self, out: Outgoing) -> None:
        if out.name == "state":
            self._keeper.changed()
        elif isinstance(out.message, Reply) and out.message.ok and self._file is not None:
            # `ok` is a promise: the answer leaves when what it speaks of is on the disk.
            message = out.message
            if not self._keeper.when_saved(self._pipeline.work.state, lambda why: self._answer(message, why)):
                self._send(Outgoing("reply", message.model_copy(update={"saved": True})))
            return
        self._send(out)

    def _send(self, out: Outgoing) -> None:
        if isinstance(out.message, (Health, Happening, Reply)):
            self._log_message(out.message)
        if self._bus is not None:
            self._bus.publish(out.name, out.part, out.message)

    def _answer(self, reply: Reply, not_saved: str | None) -> None:
        """Send an answer that has waited for the disk. From the keeper's thread."""
        text = reply.text if not_saved is None else f"{reply.text} Not saved: {not_saved}."
        told = reply.model_copy(update={"saved": not_saved is None, "text": text})
        with self._turn:
            self._send(Outgoing("reply", told))

    def _disk_trouble(self, why: str | None) -> None:
        """The state could not be written, or can again. From the keeper's thread."""
        with self._turn:
            self._pipeline.not_saved(why)

    def _log_message(self, message: Health | Happening | Reply) -> None:
        """One line when something is lost and one when it is back; the bus has the rest."""
        if isinstance(message, Health):
            before = self._sensor_states.get(message.sensor)
            self._sensor_states[message.sensor] = message.state
            if message.state == "ok":
                self._sensor_texts.pop(message.sensor, None)
            # Why a sensor is missing may become known only later: a port that is not there, a wrong rate.
            said = self._sensor_texts.get(message.sensor)
            news = message.state in ("waiting", "stale") and "(" in message.text and message.text != said
            if not news and (before == message.state or (before is None and message.state == "waiting")):
                return
            self._sensor_texts[message.sensor] = message.text
            write = log.info if message.state == "ok" else log.warning
            write(f"sensor {message.state}", sensor=message.sensor, reason=message.text or None)
        elif isinstance(message, Happening):
            log.info(message.kind, text=message.text, sensor=message.sensor)
        else:
            log.info(
                "command done" if message.ok else "command refused", name=message.command, text=message.text
            )

    def _bus_state(self, state: ConnectionState) -> None:
        write = log.warning if state.state == "offline" else log.info
        write(f"broker {state.state}", text=state.text)

    def _recording_fault(self, text: str) -> None:
        log.error("recording stopped", reason=text)
        with self._turn:
            t = self._clock()
            time_text = self._wall.rfc3339(t)
            happening = Happening(t=round(t, 6), time=time_text, kind="recording stopped", text=text)
            self._publish(Outgoing("event", happening))

    def _say_goodbye(self) -> None:
        if self._bus is not None:
            time_text = self._wall.rfc3339(self._clock())
            self._bus.stop(Status(state="offline", time=time_text, reason="stopped"))

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
            self._pipeline = Pipeline(self.service.machine, self.service.settings, self._wall, self._publish)
            self._pipeline.skip_to(start_t)
            self._pipeline.publish_retained()
            self._pipeline.speak()
        log.info("the recording begins anew")

    async def _watch_broker(self) -> None:
        """The embedded broker is a process of its own, which may die or be killed."""
        while self._broker is not None:
            await asyncio.sleep(1.0)
            try:
                if await asyncio.to_thread(self._broker.ensure):
                    log.warning("the embedded broker had died and was started again")
            except InputError as error:
                log.error("the embedded broker cannot be started again", reason=str(error))

    async def _watch_clocks(self) -> None:
        """Wall clock set, computer suspended; and the watchdog, fed while loop and ticks live."""
        watch, losses = ClockWatch(), Losses()
        while True:
            await asyncio.sleep(1.0)
            for line in losses.look(time.monotonic(), self._lost()):
                log.warning(line)
            await asyncio.to_thread(self._keeper.give_up_waiting)
            if self._ticker.lives:
                systemd.notify("WATCHDOG=1")
            moved, slept = watch.look()
            if moved:
                log.warning("wall clock was set; times in messages follow", moved_s=round(moved, 1))
                with self._turn:
                    self._wall.move(moved)
            if slept:
                with self._turn:
                    self._pipeline.was_suspended(self._intake.now(), slept)

    def _lost(self) -> dict[str, int]:
        """What was lost on the way out since the start, by what it is.

        Not live figures: without a connection they go by design, and the log tells of the connection.
        """
        lost = {}
        if self._bus is not None:
            lost["events"] = self._bus.counters.events_dropped
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
            if self._bus is not None:
                self._bus.publish("about", "", about_message(self.service, self._wall.rfc3339(0.0)))
        if change.waits:
            self._say_reload("reload: these wait for a restart", "; ".join(change.waits))
        self._say_reload("reloaded", ", ".join(change.taken) or "nothing that is in use has changed")

    def _say_reload(self, kind: str, text: str) -> None:
        """To the log and, since whoever sent the signal may watch from elsewhere, to the bus."""
        with self._turn:
            self._pipeline.tell(kind, text)


async def serve(
    service: Service,
    *,
    record: Path | None = None,
    remember: bool = True,
    until_end: bool = False,
    on_ready: Callable[[Ready], None] | None = None,
) -> None:
    """Run the service until it is stopped; see `Shell`."""
    await Shell(service, record=record, remember=remember, until_end=until_end, on_ready=on_ready).run()


async def _keep_going(work: Callable[[], Awaitable[None]]) -> None:
    """A task of the shell, begun anew after a defect of ours, which is logged: the others depend on it."""
    while True:
        try:
            await work()
        except Exception:
            log.exception("internal fault; going on", name=getattr(work, "__name__", ""))
            await asyncio.sleep(TASK_RETRY_S)
        else:
            return


def _soon(loop: asyncio.AbstractEventLoop, call: Callable[..., None], *arguments: object) -> None:
    """Hand something from another thread to the event loop; at the very end there is none any more."""
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(call, *arguments)


def _log_trouble(text: str) -> None:
    log.warning("broker trouble", text=text)
