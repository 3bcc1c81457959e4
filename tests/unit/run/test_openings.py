"""What a service opens at its start: the embedded broker's users, the page, the recording, and `about`."""

from __future__ import annotations

import json
import socket
import subprocess
import urllib.request
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from small_machine import MACHINE
from tipdatum import __version__
from tipdatum.bus.broker import BrokerAddresses
from tipdatum.bus.messages import CONTRACT_VERSION
from tipdatum.config import Service, load_service
from tipdatum.errors import ConfigError, InputError, PortError
from tipdatum.run import build, openings
from tipdatum.run.openings import BrokerPlace, about_message, open_broker, open_page, open_recorder
from tipdatum_drivers.session_file import SessionFile

STARTED = datetime(2026, 5, 4, 8, 0, 0, 123_456, tzinfo=UTC)
ADDRESSES = BrokerAddresses("127.0.0.1", 1883, 9001)


class FakeBroker:
    """Takes what the embedded broker would be started with, and starts nothing."""

    made: tuple[Any, ...] = ()

    def __init__(self, *arguments: Any, usual_port: int) -> None:
        assert usual_port == 1883  # where `watch` and `send` look
        FakeBroker.made = arguments

    def start(self) -> BrokerAddresses:
        host, port, ws_port, _ = FakeBroker.made
        return BrokerAddresses(host, port or 40001, ws_port or 40002)


@pytest.fixture(autouse=True)
def no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(openings, "EmbeddedBroker", FakeBroker)
    monkeypatch.delenv("TIPDATUM_BROKER_PASSWORD", raising=False)


def service(folder: Path, text: str = "") -> Service:
    (folder / "machine.toml").write_text(MACHINE)
    (folder / "service.toml").write_text(f'machine = "machine.toml"\nmachine_id = "digger-1"\n{text}')
    return load_service(folder / "service.toml")


# -- broker --------------------------------------------------------------------------------------------


def test_without_a_host_the_embedded_broker_listens_on_loopback_alone(tmp_path: Path) -> None:
    place = open_broker(service(tmp_path))
    assert FakeBroker.made == ("127.0.0.1", None, None, None)
    assert (place.options.host, place.options.port) == ("127.0.0.1", 40001)
    assert place.options.user is None
    assert place.password is None


def test_with_a_users_file_the_service_enters_as_the_first_of_them(tmp_path: Path) -> None:
    (tmp_path / "users").write_text("# who may enter\nservice:s3cret\npanel:other\n")
    place = open_broker(service(tmp_path, '[broker.embedded]\nusers_file = "users"\n'))
    assert FakeBroker.made[3] == {"service": "s3cret", "panel": "other"}
    assert place.options.user == "service"
    assert place.password == SecretStr("s3cret")
    assert "s3cret" not in repr(place)


def test_a_named_user_of_the_users_file_needs_no_password_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "users").write_text("service:s3cret\npanel:other\n")
    text = '[broker]\nuser = "panel"\n[broker.embedded]\nusers_file = "users"\n'
    place = open_broker(service(tmp_path, text))
    assert place.options.user == "panel"
    assert place.password == SecretStr("other")


def test_listening_everywhere_the_service_itself_goes_over_loopback(tmp_path: Path) -> None:
    (tmp_path / "users").write_text("service:s3cret\n")
    text = '[broker.embedded]\nusers_file = "users"\nlisten = "0.0.0.0"\nport = 18830\n'
    place = open_broker(service(tmp_path, text))
    assert (place.options.host, place.options.port) == ("127.0.0.1", 18830)


def test_a_named_broker_is_not_started_but_its_password_is_read(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("s3cret\n")
    text = '[broker]\nhost = "192.168.1.10"\nuser = "digger"\npassword_file = "password"\n'
    place = open_broker(service(tmp_path, text))
    assert place.broker is None
    assert place.password == SecretStr("s3cret")


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('[broker.embedded]\nusers_file = "none"\n', "broker.embedded.users_file"),
        ('[broker]\npassword_file = "none"\n', "broker.password_file"),
    ],
)
def test_a_file_that_is_not_there_is_told_by_its_key(tmp_path: Path, text: str, key: str) -> None:
    with pytest.raises(ConfigError, match=rf"service\.toml: {key}: found .*none"):
        open_broker(service(tmp_path, text))


def test_a_line_of_the_users_file_that_is_none_is_told_without_its_words(tmp_path: Path) -> None:
    (tmp_path / "users").write_text("service:s3cret\nnopassword-hunter2\n")
    with pytest.raises(ConfigError, match="line 2") as refused:
        open_broker(service(tmp_path, '[broker.embedded]\nusers_file = "users"\n'))
    assert "hunter2" not in str(refused.value)


# -- page ----------------------------------------------------------------------------------------------


def told_to_the_page(made: Service, place: BrokerPlace) -> dict[str, Any]:
    page = open_page(made, place)
    assert page is not None
    try:
        with urllib.request.urlopen(f"{page.url}settings.json", timeout=60) as answer:
            settings: dict[str, Any] = json.load(answer)
            return settings
    finally:
        page.close()


def test_the_page_goes_to_the_embedded_brokers_websocket(tmp_path: Path) -> None:
    made = service(tmp_path, '[display]\nunits = "ft"\nrole = "display"\n')
    settings = told_to_the_page(made, BrokerPlace(made.broker, None, addresses=ADDRESSES))
    assert settings["websocket"] == "ws://{host}:9001"
    assert settings["machine_id"] == "digger-1"
    assert (settings["units"], settings["role"], settings["username"]) == ("ft", "display", "")


def test_a_websocket_that_is_named_goes_before_the_embedded_ones(tmp_path: Path) -> None:
    made = service(tmp_path, '[display]\nwebsocket = "wss://broker.example/mqtt"\n')
    settings = told_to_the_page(made, BrokerPlace(made.broker, None, addresses=ADDRESSES))
    assert settings["websocket"] == "wss://broker.example/mqtt"


def test_where_the_broker_asks_for_a_password_the_page_offers_the_name_and_nothing_more(
    tmp_path: Path,
) -> None:
    (tmp_path / "users").write_text("service:s3cret\n")
    made = service(tmp_path, '[broker.embedded]\nusers_file = "users"\n')
    settings = told_to_the_page(made, open_broker(made))
    assert settings["username"] == "service"
    assert "s3cret" not in json.dumps(settings)


@pytest.mark.parametrize(
    ("text", "addresses"),
    [
        ("[display]\nenabled = false\n", ADDRESSES),
        ('[display]\nenabled = false\nwebsocket = "ws://b:9001"\n', None),
        ('[broker]\nhost = "192.168.1.10"\n', None),
    ],
    ids=["not wanted", "not wanted though it could", "a broker whose WebSocket nobody named"],
)
def test_there_is_no_page_where_none_is_wanted_or_it_could_not_reach_the_broker(
    tmp_path: Path, text: str, addresses: BrokerAddresses | None
) -> None:
    made = service(tmp_path, text)
    assert open_page(made, BrokerPlace(made.broker, None, addresses=addresses)) is None


def test_a_page_port_that_is_taken_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        made = service(tmp_path, f"[display]\nport = {port}\n")
        with pytest.raises(PortError, match=f"display page: cannot listen on 127.0.0.1, port {port}"):
            open_page(made, BrokerPlace(made.broker, None, addresses=ADDRESSES))


# -- recording -----------------------------------------------------------------------------------------


def test_nothing_is_recorded_unless_somebody_wants_it(tmp_path: Path) -> None:
    assert open_recorder(service(tmp_path), None, STARTED, lambda _: None) is None


def test_a_recordings_folder_is_relative_to_the_file(tmp_path: Path) -> None:
    made = service(tmp_path, '[recording]\ndirectory = "sessions"\n')
    recorder = open_recorder(made, None, STARTED, lambda _: None)
    assert recorder is not None
    recorder.close()
    (path,) = (tmp_path / "sessions").iterdir()
    header = SessionFile(path).header
    # To the microsecond, so that a replay tells the very times that were published.
    assert header.started == "2026-05-04T08:00:00.123456Z"
    assert header.machine["name"] == "invented machine"
    assert __version__ in header.comment
    assert build.build() in header.comment


def test_a_target_that_is_named_goes_before_the_files_folder(tmp_path: Path) -> None:
    made = service(tmp_path, '[recording]\ndirectory = "sessions"\n')
    recorder = open_recorder(made, tmp_path / "one.ndjson", STARTED, lambda _: None)
    assert recorder is not None
    recorder.close()
    assert SessionFile(tmp_path / "one.ndjson").header.machine["name"] == "invented machine"
    assert not (tmp_path / "sessions").exists()


def test_a_recording_never_replaces_a_file(tmp_path: Path) -> None:
    (tmp_path / "one.ndjson").write_text("precious")
    with pytest.raises(InputError, match="exists already"):
        open_recorder(service(tmp_path), tmp_path / "one.ndjson", STARTED, lambda _: None)


# -- about ---------------------------------------------------------------------------------------------


def test_about_tells_version_build_contract_and_the_whole_machine(tmp_path: Path) -> None:
    about = about_message(service(tmp_path, "[fusion]\ntick_hz = 30\n"), "2026-05-04T08:00:00.123Z")
    assert about.version == __version__ == metadata.version("tipdatum")
    assert about.build == build.build() != ""
    assert about.contract == CONTRACT_VERSION
    assert about.machine["boom"]["length_m"] == 4.7
    assert about.tick_hz == 30.0
    assert about.started == "2026-05-04T08:00:00.123Z"


def git(folder: Path, *arguments: str) -> str:
    names = ["-c", "user.name=n", "-c", "user.email=e@example.org", "-c", "commit.gpgsign=false"]
    done = subprocess.run(
        ["git", "-C", str(folder), *names, *arguments], capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A source tree of one commit."""
    (tmp_path / "service" / "tipdatum").mkdir(parents=True)
    (tmp_path / "service" / "tipdatum" / "a.py").write_text("1")
    try:
        git(tmp_path, "init", "-q")
    except FileNotFoundError:
        pytest.skip("needs git, which is not installed here")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "one")
    return tmp_path


def test_a_source_tree_tells_its_commit_and_whether_files_differ(tree: Path) -> None:
    commit = git(tree, "rev-parse", "HEAD")[:12]
    assert build._of_source_tree(tree) == commit
    (tree / "service" / "tipdatum" / "a.py").write_text("2")
    assert build._of_source_tree(tree) == f"{commit}+changed"


def test_a_folder_without_history_or_of_another_project_tells_nothing(tree: Path, tmp_path: Path) -> None:
    (tree / "service" / "tipdatum" / "a.py").unlink()
    (tree / "service" / "tipdatum").rmdir()
    assert build._of_source_tree(tree) == ""
    assert build._of_source_tree(tmp_path / "none") == ""


def test_where_there_is_no_git_the_tree_tells_nothing(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    assert build._of_source_tree(tree) == ""


class Installed:
    """A distribution whose note of its origin is this text."""

    def __init__(self, note: str | None) -> None:
        self._note = note

    def read_text(self, _name: str) -> str | None:
        return self._note


@pytest.mark.parametrize(
    ("note", "told"),
    [
        # As the direct URL specification of the Python packaging user guide shows it.
        ('{"url": "https://example.org/r.git", "vcs_info": {"vcs": "git", '
         '"commit_id": "7921be1537eac1e97bc40179a57f0349c2aee67d"}}', "7921be1537ea"),
        ('{"url": "file:///home/me/tipdatum", "dir_info": {}}', ""),
        (None, ""),
        ("broken", ""),
        ("[]", ""),
    ],
    ids=["from a repository", "from a folder", "from an index", "broken", "no object"],
)  # fmt: skip
def test_an_installation_tells_the_commit_that_pip_noted(
    monkeypatch: pytest.MonkeyPatch, note: str | None, told: str
) -> None:
    monkeypatch.setattr(metadata, "distribution", lambda _: Installed(note))
    assert build._of_installation() == told
