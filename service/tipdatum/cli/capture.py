"""Guided capture in the terminal: where readings come from, and how the guide talks.

Readings come from the live bus (`mqtt://host:port`, topics `tipdatum/<machine id>/raw/<sensor>` and
`…/angle/<sensor>`), from a recording that is still being written, or from one that is finished; the guide
does not know which.
"""

from __future__ import annotations

import datetime
import queue
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
import typer
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import ValidationError
from rich.console import Console

from tipdatum.bus.topics import Topics
from tipdatum.calibration import guide
from tipdatum.calibration.following import GOAL_M
from tipdatum.calibration.foresight import (
    FEWEST_BESIDE,
    MOST_MEASURED,
    Foreseen,
    Foresight,
    measured_wanted,
    side_wanted,
)
from tipdatum.calibration.guide import Guide, Step, StoppedError
from tipdatum.calibration.joint_steps import motion_steps, proposed, side_steps, swing_steps, tilt_steps
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.observations_file import save_observations
from tipdatum.calibration.still import AngleBlock, AnyBlock, Block, Stillness, blocks
from tipdatum.errors import InputError, PortError
from tipdatum.machine.description import Machine
from tipdatum.walltime import to_the_second
from tipdatum_drivers.decode.session_lines import LineError, decode_line
from tipdatum_drivers.reading import Record
from tipdatum_drivers.session_file import SessionFile

SILENT_S = 20.0
"""Silence after which a live source counts as ended."""

STEPS = "motions, measured, tilt, swing, reversal, touch:MARK, bench:SENSOR"


def capture(
    console: Console,
    machine: Machine,
    book: ObservationBook,
    path: Path,
    folders: list[Path],
    origin: str,
    machine_id: str,
    steps: list[str],
    standing: str,
) -> ObservationBook:
    """Go through the steps and keep every one in the file.

    Raises:
        InputError, PortError: the source or a step cannot be used.
    """
    now = to_the_second(datetime.datetime.now(datetime.UTC))
    shown = _StatusLine()
    talk = Guide(
        machine=machine,
        book=book,
        source=_source(origin, machine_id),
        say=lambda text: console.print(text, markup=False),
        status=shown.show,
        ask=lambda words, default: typer.prompt("  " + words, default=default, show_default=False),
        keep=lambda kept: save_observations(path, kept),
        standing=standing,
        power_up=f"power-up {now}",
        taken=now,
    )
    console.print(
        'Answer with a number, nothing to leave a reading out, "skip" or "stop". Ctrl-C stops as well.'
    )
    try:
        for name in steps:
            if name == "measured":
                _measured(talk, folders)
            elif name in FEWEST_BESIDE and side_steps(machine, name):
                _beside(talk, folders, name)
            else:
                talk.run(_steps(name, machine))
    except (StoppedError, KeyboardInterrupt, typer.Abort):
        console.print(f"Stopped. {path} holds everything so far; the same command goes on from there.")
    return talk.book


def _steps(name: str, machine: Machine) -> list[Step]:
    kind, _, of = name.partition(":")
    if kind == "motions" and not of:
        return motion_steps(machine)
    if kind == "reversal" and not of:
        return guide.reversal_steps(machine)
    if kind == "swing" and not of:
        return swing_steps(machine)
    if kind == "tilt" and not of:
        return tilt_steps(machine)
    if kind == "touch" and of:
        return [guide.touch_step(i, of, machine) for i in range(1, guide.TOUCHES + 1)]
    if kind == "bench" and of in machine.sensor:
        return guide.bench_steps(of, machine.gravity_mps2)
    sensors = f" (sensors: {', '.join(machine.sensor)})" if kind == "bench" else ""
    raise InputError(f'--step {name}: found "{name}"; expected one of {STEPS}{sensors}')


def _measured(talk: Guide, folders: list[Path]) -> None:
    """Measured postures: the first from a list, the others as the solution so far asks for them, until the
    tip is known well enough."""
    foresight = Foresight(talk.machine, folders)
    foreseen: Foreseen | None = None
    there = left_out = number = 0
    while number < measured_wanted(there, left_out, foreseen):
        number += 1
        words = guide.FIRST_POSTURES[(number - 1) % len(guide.FIRST_POSTURES)]
        step = guide.measured_step(number, words, talk.machine)
        if not talk.done(step):
            if number > 2 and (better := _best_posture(foreseen)):
                step = guide.measured_step(number, better, talk.machine)
            talk.run([step])
            if talk.done(step) and number >= 2:
                foreseen = _foreseen(talk, foresight)
        elif number == MOST_MEASURED or not talk.done(guide.measured_step(number + 1, "", talk.machine)):
            foreseen = _foreseen(talk, foresight)
        if talk.done(step):
            there += 1
        else:
            left_out += 1
    if foreseen is not None:
        talk.say(_enough(foreseen))


def _beside(talk: Guide, folders: list[Path], joint: str) -> None:
    """Rests with the bucket tilted or the boom swung: to either side, then as the solution so far asks."""
    foresight, steps = Foresight(talk.machine, folders), side_steps(talk.machine, joint)
    foreseen: Foreseen | None = None
    there = left_out = number = 0
    while number < side_wanted(joint, len(steps), there, left_out, foreseen):
        step = steps[number]
        number += 1
        if not talk.done(step):
            best = foreseen.best(joint) if foreseen is not None and number > FEWEST_BESIDE[joint] else None
            talk.run([step if best is None else proposed(step, best.words, best.mark)])
        if talk.done(step):
            there += 1
        else:
            left_out += 1
        if number >= FEWEST_BESIDE[joint]:
            foreseen = _foreseen(talk, foresight)


def _foreseen(talk: Guide, foresight: Foresight) -> Foreseen | None:
    """How well the tip is known with what is in the book; it is said."""
    foreseen = foresight.after(talk.book)
    if foreseen is not None:
        talk.say(
            f"Tip over the envelope so far: {1000 * foreseen.worst_m:.1f} mm at worst (1-sigma); "
            f"{1000 * GOAL_M:.1f} mm is the goal."
        )
    return foreseen


def _enough(foreseen: Foreseen) -> str:
    if foreseen.worst_m <= GOAL_M:
        return "The goal is reached; no more measured postures are needed."
    if foreseen.enough():
        return "Another posture would hardly help; sensors switched off and on again, or marks, might."
    return "The goal is not reached with as many postures; touch marks, or measure on another day."


def _best_posture(foreseen: Foreseen | None) -> str:
    best = foreseen.best() if foreseen else None
    if best is None:
        return ""
    kinds = " and ".join(sorted({f"{o.kind}s" for o in best.observations}))
    return best.words + f", or near it; its {kinds} are worth most"


class _StatusLine:
    """One line that is rewritten on a terminal, and said only on a change elsewhere."""

    def __init__(self) -> None:
        self._last = ""

    def show(self, state: Stillness) -> None:
        """How still the machine is."""
        if state.waiting:
            text = f"waiting for {', '.join(state.waiting)}"
        elif state.ready:
            text = "still"
        elif state.still_s < 1.0:
            text = "moving"
        else:
            text = f"still for {state.still_s:.0f} s"
        if not sys.stdout.isatty():
            return
        worst = max(state.spread_mps2.values(), default=0.0)
        drift = max(state.drift_deg.values(), default=0.0)
        line = f"  {text}; scatter {worst:.2f} m/s², drift {drift:.3f}°"
        if line != self._last:
            sys.stdout.write("\r\x1b[K" + line + ("\n" if state.ready else ""))
            sys.stdout.flush()
            self._last = line


def _source(origin: str, machine_id: str) -> Iterator[AnyBlock]:
    if origin.startswith("mqtt://"):
        return _from_bus(origin, machine_id)
    path = Path(origin)
    session = SessionFile(path)
    if path.suffix == ".ndjson":
        return blocks(_growing(path))
    return blocks(session)


def _growing(path: Path) -> Iterator[Record]:
    """Records of a plain recording, and those that are added while it is written."""
    quiet = 0.0
    rest = b""
    with path.open("rb") as handle:
        handle.readline()
        while True:
            data = handle.read(1 << 16)
            if not data:
                if time.time() - path.stat().st_mtime > SILENT_S or quiet > SILENT_S:
                    return
                time.sleep(0.2)
                quiet += 0.2
                continue
            quiet = 0.0
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                try:
                    record = decode_line(line)
                except LineError:
                    continue
                if record is not None:
                    yield record


def _from_bus(origin: str, machine_id: str) -> Iterator[AnyBlock]:
    where = urlsplit(origin)
    host, port = where.hostname or "127.0.0.1", where.port or 1883
    topics = Topics(machine_id)
    inbox: queue.Queue[tuple[bool, bytes]] = queue.Queue(maxsize=4000)
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    if where.username:
        client.username_pw_set(where.username, where.password)
    angles = topics.of("angle", "")
    client.on_connect = lambda c, *_: c.subscribe([(topics.of(name, "+"), 0) for name in ("raw", "angle")])
    client.on_message = lambda _c, _u, message: _keep(
        inbox, message.topic.startswith(angles), bytes(message.payload)
    )
    try:
        client.connect(host, port)
    except OSError as error:
        raise PortError(f"no broker at {host}:{port}: {error.strerror or error}", retry_helps=True) from None
    client.loop_start()
    try:
        while True:
            try:
                of_angle, payload = inbox.get(timeout=SILENT_S)
            except queue.Empty:
                raise PortError(
                    f"no raw readings on {topics.of('raw', '+')} for {SILENT_S:.0f} s; does the service run?",
                    retry_helps=True,
                ) from None
            try:
                yield (AngleBlock if of_angle else Block).model_validate_json(payload)
            except ValidationError:
                continue
    finally:
        client.loop_stop()
        client.disconnect()


def _keep(inbox: queue.Queue[tuple[bool, bytes]], of_angle: bool, payload: bytes) -> None:
    """A question that waits for its answer for an hour must not fill the memory."""
    if not inbox.full():
        inbox.put_nowait((of_angle, payload))
