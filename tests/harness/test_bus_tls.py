"""TLS against a real mosquitto, with certificates made by the very commands that the documents give."""

from __future__ import annotations

import re
import shutil
import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bus_fixtures import Service
from bus_tools import Listener, Mosquitto, accepts, free_port, wait_until
from pydantic import SecretStr

from tipdatum.bus.messages import Status
from tipdatum.bus.options import TlsOptions

DOCUMENT = Path(__file__).parents[2] / "service" / "tipdatum" / "docs" / "security.md"
CONFIG = DOCUMENT.parents[3] / "config" / "broker"
TIME = "2026-03-02T07:41:12.340Z"


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the documented commands ran, and expired and foreign certificates beside."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl, which is not installed here")
    folder = tmp_path_factory.mktemp("certificates")
    script = re.search(r"```sh\n(# authority.*?)```", DOCUMENT.read_text(), re.DOTALL)
    assert script is not None
    by_site, by_other = "-CA ca.crt -CAkey ca.key", "-CA other.crt -CAkey other.key -CAcreateserial"
    bad = f"""
openssl req -x509 -newkey rsa:2048 -nodes -days 9 -subj "/CN=other authority" -keyout other.key -out other.crt
openssl x509 -req -in server.csr {by_site} -days -1 -extfile server.ext -out expired-server.crt
openssl x509 -req -in service.csr {by_site} -days -1 -extfile client.ext -out expired-service.crt
openssl x509 -req -in service.csr {by_other} -days 9 -out foreign-service.crt
"""
    subprocess.run(["bash", "-ec", script[1] + bad], cwd=folder, check=True, capture_output=True)
    return folder


def with_tls(
    folder: Path, certificates: Path, server: str = "server.crt", *, client: bool = False
) -> Mosquitto:
    """A mosquitto that speaks TLS only."""
    wants = (
        "require_certificate true\nuse_identity_as_username true\n" if client else "allow_anonymous true\n"
    )
    acl = folder / "acl"
    acl.write_text("user service\ntopic readwrite #\n")
    return Mosquitto(
        folder,
        f"user root\nlistener {{port}} 127.0.0.1\n{wants}certfile {certificates / server}\n"
        f"keyfile {certificates / 'server.key'}\ncafile {certificates / 'ca.crt'}\n"
        + (f"acl_file {acl}\n" if client else ""),
    )


@pytest.fixture
def tls_broker(
    need_mosquitto: None, tmp_path: Path, certificates: Path
) -> Iterator[Callable[..., Mosquitto]]:
    """`tls_broker(server=…, client=…)`."""
    made: list[Mosquitto] = []

    def make(server: str = "server.crt", *, client: bool = False) -> Mosquitto:
        made.append(with_tls(tmp_path, certificates, server, client=client))
        return made[-1]

    yield make
    for one in made:
        one.stop()


Make = Callable[..., Service]
Brokers = Callable[..., Mosquitto]


def test_figures_pass_through_tls(
    tls_broker: Brokers, bus_service: Make, listener: Callable[..., Listener], certificates: Path
) -> None:
    broker = tls_broker()
    service = bus_service(broker.port, tls=TlsOptions(ca=Path("ca.crt")), base=certificates)
    wait_until(lambda: service.client.online, f"online: {service.words()}")
    context = ssl.create_default_context(cafile=certificates / "ca.crt")
    context.verify_flags |= ssl.VERIFY_X509_STRICT
    heard = listener(broker.port, "tipdatum/#", setup=lambda c: c.tls_set_context(context))
    for number in range(500):
        service.client.publish("status", "", Status(state="online", time=TIME, reason=str(number)))
    wait_until(lambda: b'"499"' in b"".join(heard.payloads("/status")), "the last state arrives")
    heard.client.publish("tipdatum/digger-1/command/datum/clear", b"{}" + b" " * 60_000, 1)
    wait_until(lambda: service.orders, "a command of many TLS records arrives")


def test_a_client_certificate_is_a_way_in(tls_broker: Brokers, bus_service: Make, certificates: Path) -> None:
    tls = TlsOptions(ca=Path("ca.crt"), certificate=Path("service.crt"), key=Path("service.key"))
    service = bus_service(tls_broker(client=True).port, tls=tls, base=certificates)
    wait_until(lambda: service.client.online, f"online: {service.words()}")


@pytest.mark.parametrize(
    ("server", "tls", "words"),
    [
        ("expired-server.crt", {"ca": "ca.crt"}, "expired"),
        ("server.crt", {"ca": "other.crt"}, "not accepted"),
        ("server.crt", {}, "not accepted"),
        ("server.crt", {"ca": "missing.crt"}, "missing.crt cannot be used"),
        ("server.crt", {"ca": "server.key"}, "server.key cannot be used"),
    ],
)
def test_a_broker_that_cannot_be_trusted_is_named_with_the_reason(
    server: str, tls: dict[str, str], words: str, tls_broker: Brokers, bus_service: Make, certificates: Path
) -> None:
    service = bus_service(tls_broker(server).port, tls=TlsOptions.model_validate(tls), base=certificates)
    wait_until(lambda: "tls" in service.causes(), "the refusal is told")
    assert words in service.words()
    assert not service.client.online


@pytest.mark.parametrize("certificate", [None, "expired-service.crt", "foreign-service.crt"])
def test_a_broker_that_does_not_trust_us_is_told_apart_from_one_that_is_away(
    certificate: str | None, tls_broker: Brokers, bus_service: Make, certificates: Path
) -> None:
    pair = {"certificate": certificate, "key": "service.key"} if certificate else {}
    tls = TlsOptions.model_validate({"ca": "ca.crt", **pair})
    service = bus_service(
        tls_broker(client=True).port, tls=tls, base=certificates, user="service", password=SecretStr("x")
    )
    wait_until(lambda: "credentials" in service.causes(), "the refusal is told")
    assert "certificate" in service.words()


def test_plain_speech_to_a_tls_port_and_tls_to_a_plain_one_are_told(
    tls_broker: Brokers, mosquitto: Mosquitto, bus_service: Make, certificates: Path
) -> None:
    plain = bus_service(tls_broker().port)
    wait_until(lambda: plain.causes(), "plain to TLS is told")
    assert "TLS" in plain.words()
    secret = bus_service(mosquitto.port, tls=TlsOptions(ca=Path("ca.crt")), base=certificates)
    wait_until(lambda: secret.causes(), "TLS to plain is told")
    assert "TLS" in secret.words()


def test_a_renewed_certificate_counts_without_a_restart(
    tls_broker: Brokers, bus_service: Make, certificates: Path, tmp_path: Path
) -> None:
    ca = tmp_path / "ca.crt"
    shutil.copy(certificates / "other.crt", ca)
    service = bus_service(tls_broker().port, tls=TlsOptions(ca=ca))
    wait_until(lambda: "tls" in service.causes(), "the wrong authority is told")
    shutil.copy(certificates / "ca.crt", ca)
    wait_until(lambda: service.client.online, "the right one counts")


def test_the_whole_shipped_configuration_starts_and_lets_a_certified_user_in(
    need_mosquitto: None, tmp_path: Path, certificates: Path, bus_service: Make
) -> None:
    text = (CONFIG / "mosquitto.conf").read_text()
    text = text.replace("#require_certificate", "require_certificate")
    text = text.replace("#use_identity_as_username", "use_identity_as_username")
    (tmp_path / "passwords").touch()
    for place, here in (
        ("/etc/mosquitto/tipdatum/passwords", tmp_path / "passwords"),
        ("/etc/mosquitto/tipdatum/roles.acl", CONFIG / "roles.acl"),
        ("/etc/mosquitto/tipdatum", certificates),
        ("/var/lib/mosquitto", tmp_path),
    ):
        text = text.replace(place, str(here))
    plain, pages = free_port(), free_port()
    text = text.replace("listener 1883 ", f"user root\nlistener {plain} ")
    text = text.replace("listener 9001 ", f"listener {pages} ").replace("listener 8883", "listener {port}")
    broker = Mosquitto(tmp_path / "broker", text)
    try:
        wait_until(lambda: accepts(plain) and accepts(pages), "every listener is there")
        tls = TlsOptions(ca=Path("ca.crt"), certificate=Path("service.crt"), key=Path("service.key"))
        service = bus_service(broker.port, tls=tls, base=certificates)
        wait_until(lambda: service.client.online, "the service is in")
        assert service.troubles == []  # it may receive commands: the certificate's name is its role
    finally:
        broker.stop()
