"""The one small document that outlives a restart: reference, marks, level book, bucket, target.

Written to a temporary file, fsynced and renamed, so that a cut of power leaves the old one or the new one.
One of another version, or with a part that cannot be read, is carried over as far as it goes; one that is no
document at all is set aside. Either is said, and kept under another name. How long the service was away is
told by a second file whose time stamp is touched while the service lives; it is not fsynced, so a cut of
power can only make the absence look longer, which errs towards doubt.

A lock keeps a second service away from the same state. It is one of the process (fcntl), so that a kill frees
it and a child of the service does not hold it.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
from pydantic import ValidationError

from tipdatum.errors import InputError
from tipdatum.grade.state import WorkState
from tipdatum.sentences import sentence
from tipdatum.validation import dotted

try:
    import fcntl
except ImportError:  # no such locks on this system
    fcntl = None  # type: ignore[assignment]

FOLDERS_OPEN = os.name == "posix"
"""Whether a folder can be opened and its entries be made sure of; Windows keeps them by its journal."""
VERSION = 1
ASIDE_MOST = 1000
"""So many say that something breaks them again and again, which a person must look at."""
DOUBTS = ("doubts", "travelled", "place")
"""Parts without which nobody knows whether the reference may be relied on."""
BY_NAME = ("marks", "wear_m")
"""Parts whose entries stand by themselves, each under its name."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """What was found at start.

    Attributes:
        state: None for a fresh start. age_s: since the service last lived; None if that cannot be told.
        warning: what had to be left out or set aside, empty if nothing.
    """

    state: WorkState | None
    age_s: float | None
    warning: str = ""


class StateFile:
    """State of one machine in `directory`.

    Raises:
        InputError: the directory cannot be made or written, or another service keeps this machine's state
            there.
    """

    def __init__(self, directory: Path, machine_id: str) -> None:
        self.path = directory / f"{machine_id}.json"
        self._alive = directory / f"{machine_id}.alive"
        try:
            directory.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"state directory {directory}: {error.strerror}; set [state] directory"
            ) from None
        if not os.access(directory, os.W_OK):
            raise InputError(f"state directory {directory} cannot be written; set [state] directory")
        self._lock = _locked(directory / f"{machine_id}.lock", machine_id)

    def close(self) -> None:
        """Let another service have it."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def load(self, now: float) -> Remembered:
        """Read what was saved; `now` is wall-clock seconds since the epoch.

        A clock that went backwards gives no age, since nobody knows how long the service was away.

        Raises:
            InputError: a broken document cannot be set aside, so that the next one would replace it.
        """
        try:
            raw = self.path.read_bytes()
        except FileNotFoundError:
            return Remembered(None, None)
        except OSError as error:
            return self._without(error.strerror or str(error))
        try:
            document = orjson.loads(raw)
        except ValueError as error:
            return self._without(str(error))
        if not isinstance(document, dict) or not isinstance(document.get("work"), dict):
            return self._without("it holds no state")
        version = document.get("version")
        state, left_out = carried_over(document["work"])
        doubts = []
        if not isinstance(version, int) or version > VERSION:
            doubts.append(sentence("state-other-version"))
        if any(part.partition("[")[0] in DOUBTS for part in left_out):
            doubts.append(sentence("doubt-not-known"))
        if doubts:
            state = state.model_copy(update={"doubts": (*state.doubts, *doubts)})
        if version == VERSION and not left_out:
            return Remembered(state, self._age(now))
        words = []
        if version != VERSION:
            words.append(f"it is of version {version}, this service's is {VERSION}")
        if left_out:
            words.append(f"left out: {', '.join(left_out)}")
        try:
            kept = f"as it was found it is kept as {self._named('as-found', lambda at: at.write_bytes(raw))}"
        except InputError as error:
            kept = str(error)
        warning = f"{self.path} was carried over ({'; '.join(words)}); {kept}"
        return Remembered(state, self._age(now), warning)

    def save(self, state: WorkState) -> None:
        """Write `state`; returns when it is on the disk.

        Raises:
            OSError: it could not be written; the old document stands.
        """
        document = {"version": VERSION, "work": state.model_dump(mode="json")}
        part = self.path.with_suffix(".part")
        with part.open("wb") as handle:
            handle.write(orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE))
            handle.flush()
            os.fsync(handle.fileno())
        part.replace(self.path)
        if FOLDERS_OPEN:
            folder = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        self.touch()

    def touch(self) -> None:
        """Note that the service lives now."""
        self._alive.touch()

    def _age(self, now: float) -> float | None:
        try:
            age = now - self._alive.stat().st_mtime
        except OSError:
            return None
        return age if age >= -1.0 else None

    def _without(self, why: str) -> Remembered:
        aside = self._named("broken", self.path.replace)
        return Remembered(None, None, f"{self.path} is broken ({why}); kept as {aside}, starting without it")

    def _named(self, what: str, put: Callable[[Path], object]) -> Path:
        """Put a document beside the state under a name that is free."""
        for number in range(1, ASIDE_MOST + 1):
            aside = self.path.with_suffix(f".{what}-{number}.json")
            if aside.exists():
                continue
            try:
                put(aside)
            except OSError as error:
                reason = error.strerror or error
                raise InputError(f"{self.path} cannot be kept as {aside.name}: {reason}") from None
            return aside
        raise InputError(f"{ASIDE_MOST} documents {what} stand beside {self.path}; clear the folder")


def carried_over(work: dict[str, Any]) -> tuple[WorkState, list[str]]:
    """The state in a document of any version, and what had to be left out of it, dotted keys.

    What is not known is left out by itself; of what cannot be read, the entry of a list or table, or the
    whole part that it belongs to.
    """
    left_out = [key for key in work if key not in WorkState.model_fields]
    rest = {key: value for key, value in work.items() if key not in left_out}
    while True:
        try:
            return WorkState.model_validate(rest), left_out
        except ValidationError as error:
            place = error.errors()[0]["loc"]
            part = str(place[0]) if place else next(iter(rest))
            inside = rest[part]
            entry = place[1] if len(place) > 1 else None
            if isinstance(inside, dict) and part in BY_NAME and entry in inside:
                rest[part] = {key: value for key, value in inside.items() if key != entry}
                left_out.append(dotted([part, str(entry)]))
            elif isinstance(inside, list) and isinstance(entry, int):
                rest[part] = [value for number, value in enumerate(inside) if number != entry]
                left_out.append(dotted([part, entry]))
            else:
                del rest[part]
                left_out.append(str(part))


def _locked(path: Path, machine_id: str) -> int | None:
    if fcntl is None:
        return None
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}; set [state] directory") from None
    try:
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        other = ""
        with contextlib.suppress(OSError, ValueError):
            other = f" (process {int(os.read(handle, 20))})"
        os.close(handle)
        raise InputError(
            f"another service{other} keeps the state of {machine_id} in {path.parent}: "
            "stop it, or give this one a [state] directory or a machine_id of its own"
        ) from None
    os.ftruncate(handle, 0)
    os.write(handle, f"{os.getpid()}\n".encode())
    return handle


def default_directory() -> Path:
    """$STATE_DIRECTORY (systemd), $XDG_STATE_HOME/tipdatum or ~/.local/state/tipdatum."""
    if os.environ.get("STATE_DIRECTORY"):
        return Path(os.environ["STATE_DIRECTORY"].split(":")[0])
    if os.environ.get("XDG_STATE_HOME"):
        return Path(os.environ["XDG_STATE_HOME"]) / "tipdatum"
    return Path("~/.local/state/tipdatum").expanduser()
