"""The shipped bridge and site broker configuration, with two real brokers and the cable between them cut."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bus_fixtures import Service
from bus_tools import Cable, Listener, Mosquitto, wait_until

from tipdatum.bus.messages import Happening, Status
from tipdatum.bus.topics import LIVE

CONFIG = Path(__file__).parents[2] / "config" / "broker"
TIME = "2026-03-02T07:41:12.340Z"
USERS = {"digger-1": "bridge-word", "digger-2": "other-word", "office": "office-word"}


def event(number: int) -> Happening:
    return Happening(t=float(number), time=TIME, kind="test", text=str(number))


def texts_once(office: Listener) -> list[int]:
    """Numbers of the events heard, without repeats of an id."""
    found = {event["id"]: int(event["text"]) for event in map(json.loads, office.payloads("/event"))}
    return list(found.values())


@pytest.fixture
def site(need_mosquitto: None, tmp_path: Path) -> Iterator[Mosquitto]:
    """The shipped site broker, without its TLS."""
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("needs mosquitto_passwd, which is not installed here")
    words = tmp_path / "site-passwords"
    words.touch()
    for user, word in USERS.items():
        subprocess.run([tool, "-b", str(words), user, word], check=True, capture_output=True)
    text = (CONFIG / "site" / "site.conf").read_text()
    text = re.sub(r"password_file .*", f"password_file {words}", text)
    text = re.sub(r"acl_file .*", f"acl_file {CONFIG / 'site' / 'site.acl'}", text)
    text = re.sub(r"persistence_location .*", f"persistence_location {tmp_path}/", text)
    text = re.sub(r"(certfile|keyfile|tls_version) .*\n", "", text)
    broker = Mosquitto(
        tmp_path / "site", text.replace("listener 8883", "user root\nlistener {port} 127.0.0.1")
    )
    yield broker
    broker.stop()


@pytest.fixture
def link(site: Mosquitto) -> Iterator[Cable]:
    """The radio between machine and site."""
    found = Cable(site.port)
    yield found
    found.close()


@pytest.fixture
def machine(link: Cable, tmp_path: Path) -> Iterator[Mosquitto]:
    """The machine's broker with the shipped bridge, without its TLS."""
    text = (CONFIG / "bridge.conf").read_text()
    text = re.sub(r"address .*", f"address 127.0.0.1:{link.port}", text)
    text = re.sub(r"bridge_cafile .*\n", "", text)
    text = re.sub(r"remote_password .*", f"remote_password {USERS['digger-1']}", text)
    broker = Mosquitto.open_to_all(tmp_path / "machine", extra=text)
    yield broker
    broker.stop()


@pytest.fixture
def office(site: Mosquitto, listener: Callable[..., Listener]) -> Listener:
    """Who reads at the site."""
    return listener(site.port, "tipdatum/#", setup=lambda c: c.username_pw_set("office", USERS["office"]))


def test_a_cut_link_costs_no_event_and_brings_no_old_figure(
    link: Cable, machine: Mosquitto, office: Listener, bus_service: Callable[..., Service]
) -> None:
    service = bus_service(machine.port)
    service.client.publish("status", "", Status(state="online", time=TIME))
    office.wait_for("/status")
    wait_until(lambda: b"1" in office.payloads("/link"), "the bridge says it is there")

    sent = 0
    for cut in range(2):
        for _ in range(50):
            service.client.publish("event", "", event(sent))
            sent += 1
        link.cut()

        def missed(before: int = cut) -> bool:
            return office.payloads("/link").count(b"0") > before

        wait_until(missed, "the bridge is missed")
        for number in range(100):
            service.client.publish("event", "", event(sent))
            service.client.publish_raw("tipdatum/digger-1/tip", b"old %d" % number, LIVE)
            sent += 1
        wait_until(lambda: service.client.waiting_events == 0, "the machine's broker has all events")
        link.restore()

        def all_there(wanted: int = sent) -> bool:
            return len(texts_once(office)) == wanted

        wait_until(all_there, "every event arrives")

    service.client.publish_raw("tipdatum/digger-1/tip", b"new", LIVE)
    office.wait_for("/tip")
    assert office.payloads("/tip") == [b"new"]
    assert texts_once(office) == list(range(sent))
    assert len(office.payloads("/event")) - sent <= 2 * 20  # what was under way at the two cuts


def test_a_machine_writes_under_its_own_id_only_and_the_office_writes_nothing(
    site: Mosquitto, office: Listener, listener: Callable[..., Listener]
) -> None:
    other = listener(
        site.port, "tipdatum/digger-1/#", setup=lambda c: c.username_pw_set("digger-2", USERS["digger-2"])
    )
    for topic in ("tipdatum/digger-1/tip", "tipdatum/digger-2/tip"):
        other.client.publish(topic, b"2", 1).wait_for_publish(10)
        office.client.publish(topic, b"office", 1).wait_for_publish(10)
    office.client.publish("tipdatum/digger-1/command/datum/clear", b"{}", 1).wait_for_publish(10)
    office.wait_for("digger-2/tip")
    assert office.topics() == ["tipdatum/digger-2/tip"]
    assert office.payloads("/tip") == [b"2"]
    assert other.messages == []


def test_no_command_comes_from_the_site_unless_somebody_decides_so(
    machine: Mosquitto, site: Mosquitto, office: Listener, bus_service: Callable[..., Service],
    listener: Callable[..., Listener],
) -> None:  # fmt: skip
    service = bus_service(machine.port)
    office_word = USERS["digger-1"]  # even somebody who knows the machine's own password at the site
    sender = listener(site.port, setup=lambda c: c.username_pw_set("digger-1", office_word))
    wait_until(lambda: b"1" in office.payloads("/link"), "the bridge is there")
    sender.client.publish("tipdatum/digger-1/command/datum/clear", b"{}", 1).wait_for_publish(10)
    service.client.publish("event", "", event(1))
    office.wait_for("/event")
    assert service.orders == []
