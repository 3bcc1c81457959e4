"""The one small document that outlives a restart: reference, marks, level book, bucket, target.

Written to a temporary file, fsynced and renamed, so that a cut of power leaves the old one or the new one.
A broken one is set aside under another name and said, never silently replaced. How long the service was away
is told by a second file whose time stamp is touched while the service lives; it is not fsynced, so a cut of
power can only make the absence look longer, which errs towards doubt.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import orjson
from pydantic import ValidationError

from tipdatum.errors import InputError
from tipdatum.grade.state import WorkState
from tipdatum.validation import dotted

VERSION = 1
BROKEN_KEPT = 1000
"""So many say that something breaks them again and again, which a person must look at."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """What was found at start.

    Attributes:
        state: None for a fresh start. age_s: since the service last lived; None if that cannot be told.
        warning: what had to be set aside, empty if nothing.
    """

    state: WorkState | None
    age_s: float | None
    warning: str = ""


class StateFile:
    """State of one machine in `directory`.

    Raises:
        InputError: the directory cannot be made or written.
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

    def load(self, now: float) -> Remembered:
        """Read what was saved; `now` is wall-clock seconds since the epoch.

        A clock that went backwards gives no age, since nobody knows how long the service was away.

        Raises:
            InputError: a broken document cannot be set aside, so that the next one would replace it.
        """
        try:
            state = _document(self.path.read_bytes())
        except FileNotFoundError:
            return Remembered(None, None)
        except OSError as error:
            return self._without(error.strerror or str(error))
        except ValidationError as error:
            first = error.errors()[0]
            return self._without(f"{dotted(first['loc'])}: {first['msg']}")
        except ValueError as error:
            return self._without(str(error))
        return Remembered(state, self._age(now))

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
        aside = self._set_aside()
        return Remembered(None, None, f"{self.path} is broken ({why}); kept as {aside}, starting without it")

    def _set_aside(self) -> Path:
        for number in range(1, BROKEN_KEPT + 1):
            aside = self.path.with_suffix(f".broken-{number}.json")
            if aside.exists():
                continue
            try:
                self.path.replace(aside)
            except OSError as error:
                raise InputError(
                    f"{self.path} is broken and cannot be set aside: {error.strerror or error}"
                ) from None
            return aside
        raise InputError(
            f"{self.path} is broken and {BROKEN_KEPT} broken ones stand beside it; clear the folder"
        )


def _document(raw: bytes) -> WorkState:
    document = orjson.loads(raw)
    if not isinstance(document, dict) or document.get("version") != VERSION:
        raise ValueError(f"not a state document of version {VERSION}")
    if "work" not in document:
        raise ValueError("it has no work")
    return WorkState.model_validate(document["work"])


def default_directory() -> Path:
    """$STATE_DIRECTORY (systemd), $XDG_STATE_HOME/tipdatum or ~/.local/state/tipdatum."""
    if os.environ.get("STATE_DIRECTORY"):
        return Path(os.environ["STATE_DIRECTORY"].split(":")[0])
    if os.environ.get("XDG_STATE_HOME"):
        return Path(os.environ["XDG_STATE_HOME"]) / "tipdatum"
    return Path("~/.local/state/tipdatum").expanduser()
