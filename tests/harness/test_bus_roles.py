"""The shipped broker configuration against a real mosquitto: each role tries everything it must not do."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from bus_fixtures import Service
from bus_tools import Listener, Mosquitto, wait_until
from pydantic import SecretStr

from tipdatum.bus.contract import GUIDE, MESSAGES, PER_SENSOR
from tipdatum.grade.commands import COMMANDS

CONFIG = Path(__file__).parents[2] / "config" / "broker"
ROLES = ("service", "display", "panel", "integrator")
MACHINE = "tipdatum/digger-1"
PUBLISHED = [f"{MACHINE}/{name}/boom" if name in PER_SENSOR else f"{MACHINE}/{name}" for name in MESSAGES]
PUBLISHED += [f"{MACHINE}/value/elevation_m", f"{MACHINE}/text/state"]
GUIDED = [f"{MACHINE}/{name}" for name in GUIDE]
# From the design: whoever changes how the machine measures is an integrator.
INTEGRATOR_ONLY = ("calibration/", "machine/", "datum/correct")
COMMAND_TOPICS = [f"{MACHINE}/command/{name}" for name in [*COMMANDS, "calibration/start", "machine/reload"]]
OUTSIDE = ["tipdatum", "tipdatum/digger-1", "$SYS/broker/version", "elsewhere", f"{MACHINE}/nothing/known"]


def password(role: str) -> str:
    return f"{role}-word"


def passwords(folder: Path) -> Path:
    """A password file made with the broker's own tool."""
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("needs mosquitto_passwd, which is not installed here")
    file = folder / "passwords"
    file.touch()
    for role in ROLES:
        subprocess.run([tool, "-b", str(file), role, password(role)], check=True, capture_output=True)
    return file


def shipped(folder: Path) -> str:
    """The shipped configuration, with the paths of this test and its loopback listener alone."""
    text = (CONFIG / "mosquitto.conf").read_text()
    text = re.sub(r"password_file .*", f"password_file {passwords(folder)}", text)
    text = re.sub(r"acl_file .*", f"acl_file {CONFIG / 'roles.acl'}", text)
    text = re.sub(r"persistence_location .*", f"persistence_location {folder}/", text)
    text = text[: text.index("# Towards the network")]
    return text.replace("listener 1883 ", "user root\nlistener {port} ")


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A mosquitto with the shipped configuration and roles."""
    try:
        broker = Mosquitto(folder := tmp_path_factory.mktemp("roles"), shipped(folder))
    except FileNotFoundError:
        pytest.skip("needs mosquitto, which is not installed here")
    yield broker
    broker.stop()


@pytest.fixture
def as_role(guarded: Mosquitto, listener: Callable[..., Listener]) -> Callable[..., Listener]:
    """`as_role("panel", "tipdatum/#")`: a listener logged in under that role."""

    def make(role: str, *filters: str) -> Listener:
        return listener(
            guarded.port, *filters, setup=lambda client: client.username_pw_set(role, password(role))
        )

    return make


def ended(one: Listener, topic: str) -> bool:
    return b"end" in one.payloads(topic)


def may_write(role: str, topic: str) -> bool:
    """What the design allows."""
    if topic in PUBLISHED:
        return role == "service"
    if topic in GUIDED:
        return role == "integrator"
    if topic not in COMMAND_TOPICS:
        return False
    command = topic.removeprefix(f"{MACHINE}/command/")
    return role == "integrator" or (role == "panel" and not command.startswith(INTEGRATOR_ONLY))


@pytest.mark.parametrize("role", ROLES)
def test_a_role_writes_what_it_may_and_nothing_else(
    role: str, guarded: Mosquitto, as_role: Callable[..., Listener]
) -> None:
    # The service hears commands and an integrator everything else: together they see whatever gets through.
    heard = [as_role("service", "tipdatum/#"), as_role("integrator", "tipdatum/#", "#")]
    writer = as_role(role)
    marker = f"{role}-was-here".encode()
    for topic in [*PUBLISHED, *GUIDED, *COMMAND_TOPICS, *OUTSIDE]:
        if not topic.startswith("$"):
            writer.client.publish(topic, marker, 1).wait_for_publish(10)
    # What was let through came before these, which are allowed.
    as_role("integrator").client.publish(COMMAND_TOPICS[0], b"end", 1)
    as_role("service").client.publish(PUBLISHED[0], b"end", 1)
    for one, topic in zip(heard, (COMMAND_TOPICS[0], PUBLISHED[0]), strict=True):
        wait_until(partial(ended, one, topic), "the end is heard")
    got = {t for one in heard for t, payload, _ in one.messages if payload == marker}
    wanted = {t for t in [*PUBLISHED, *GUIDED, *COMMAND_TOPICS] if may_write(role, t)}
    assert got == wanted


@pytest.mark.parametrize("role", ["display", "panel", "integrator"])
def test_who_reads_figures_does_not_read_commands(role: str, as_role: Callable[..., Listener]) -> None:
    heard = as_role(role, "#", f"{MACHINE}/command/#", "+/+/command/+/+")
    service = as_role("service")
    as_role("integrator").client.publish(COMMAND_TOPICS[0], b"secret", 1).wait_for_publish(10)
    for topic in PUBLISHED:
        service.client.publish(topic, b"figure", 1).wait_for_publish(10)
    # Raw readings are for a calibration, which is the integrator's.
    of_calibration = {t for t in PUBLISHED if "/raw/" in t or "/angle/" in t}
    readable = set(PUBLISHED) - (set() if role == "integrator" else of_calibration)
    wait_until(lambda: len(set(heard.topics())) >= len(readable), "every figure is heard")
    assert set(heard.topics()) == readable


@pytest.mark.parametrize(
    ("user", "word"), [("panel", "guess"), ("panel", ""), ("nobody", "panel-word"), (None, None)]
)
def test_nobody_gets_in_without_the_right_word(
    user: str | None, word: str | None, guarded: Mosquitto, listener: Callable[..., Listener]
) -> None:
    found = listener(
        guarded.port, "tipdatum/#", setup=lambda c: c.username_pw_set(user, word) if user else None
    )
    assert found.refused is not None


def test_a_service_with_the_wrong_password_says_so_without_showing_it(
    guarded: Mosquitto, bus_service: Callable[..., Service]
) -> None:
    service = bus_service(guarded.port, user="service", password=SecretStr("hunter2"))
    wait_until(lambda: "credentials" in service.causes(), "the refusal is told")
    assert 'user "service"' in service.words()
    assert "hunter2" not in service.words() + repr(service.client.__dict__) + repr(service.states)


def test_the_service_works_under_its_own_role(
    guarded: Mosquitto, bus_service: Callable[..., Service], as_role: Callable[..., Listener]
) -> None:
    service = bus_service(guarded.port, user="service", password=SecretStr(password("service")))
    wait_until(lambda: service.client.online, "the service is in")
    as_role("panel").client.publish(f"{MACHINE}/command/datum/clear", b"{}", 1)
    wait_until(lambda: service.orders, "the panel's command arrives")
    assert service.troubles == []
