"""Signals reach the service where the event loop takes none, as on Windows."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path
from typing import Any

import pytest

from tipdatum.grade.state import WorkState
from tipdatum.run import state_file
from tipdatum.run.signals import heeded
from tipdatum.run.state_file import StateFile


def refuses(number: int, callback: Any, *args: Any) -> None:
    raise NotImplementedError


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
async def test_a_signal_is_passed_on_by_pythons_own_handler(
    number: signal.Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    loop = asyncio.get_running_loop()
    monkeypatch.setattr(loop, "add_signal_handler", refuses)
    called = asyncio.Event()
    calls = {"stop": called.set, "reload": lambda: None}
    if number == signal.SIGHUP:
        calls = {"stop": lambda: None, "reload": called.set}
    before = signal.getsignal(number)
    with heeded(loop, calls["stop"], calls["reload"]):
        signal.raise_signal(number)
        await asyncio.wait_for(called.wait(), 10.0)
    assert signal.getsignal(number) == before


async def test_a_system_without_sighup_has_no_reload_by_signal(monkeypatch: pytest.MonkeyPatch) -> None:
    loop = asyncio.get_running_loop()
    monkeypatch.setattr(loop, "add_signal_handler", refuses)
    monkeypatch.delattr(signal, "SIGHUP")
    with heeded(loop, lambda: None, lambda: None):
        pass


def test_state_is_kept_where_folders_cannot_be_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state_file, "FOLDERS_OPEN", False)
    monkeypatch.setattr(state_file, "fcntl", None)
    kept = StateFile(tmp_path, "digger-1")
    kept.save(WorkState())
    assert kept.path.is_file()
    kept.close()
