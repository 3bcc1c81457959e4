"""The `[broker]` table, and secrets that stay secret."""

from __future__ import annotations

from pathlib import Path

import pytest

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum.bus.options import BrokerOptions, read_users
from tipdatum.errors import ConfigError, InputError
from tipdatum.validation import parse_model


def test_without_a_host_the_embedded_broker_serves_on_loopback_only() -> None:
    options = BrokerOptions()
    assert options.uses_embedded
    assert options.embedded.listen == "127.0.0.1"


def test_tls_moves_the_port_unless_it_is_named() -> None:
    # 1883 and 8883 are registered for MQTT with IANA.
    assert BrokerOptions(host="a").actual_port == 1883
    assert BrokerOptions.model_validate({"host": "a", "tls": {}}).actual_port == 8883
    assert BrokerOptions.model_validate({"host": "a", "port": 99, "tls": {}}).actual_port == 99


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"password": "x"}, "password"),
        ({"port": 0}, "port"),
        ({"topic_root": "a/+"}, "topic_root"),
        ({"topic_root": "a/"}, "topic_root"),
        ({"topic_root": "$SYS"}, "topic_root"),
        ({"protocol": "4"}, "protocol"),
        ({"tls": {"key": "k.pem"}}, "tls"),
        ({"tls": {"certificat": "k.pem"}}, "tls.certificat"),
        ({"small_displays": {"unit": "yd"}}, "small_displays.unit"),
        ({"small_displays": {"rate_hz": 1000}}, "small_displays.rate_hz"),
    ],
)
def test_a_wrong_key_is_named(table: dict[str, object], key: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_model(BrokerOptions, table, "service.toml")
    assert caught.value.key == key


def test_a_password_in_the_service_file_is_refused_with_the_way_to_go() -> None:
    with pytest.raises(ConfigError, match=r"password_file|password_env"):
        parse_model(BrokerOptions, {"password": "hunter2"}, "service.toml")


def test_a_password_comes_from_its_file_or_the_environment_and_is_never_shown(tmp_path: Path) -> None:
    (tmp_path / "word").write_text("hunter2\nsecond line\n")
    from_file = BrokerOptions(host="a", password_file=Path("word")).password(tmp_path, {})
    from_environment = BrokerOptions(host="a", password_env="MINE").password(tmp_path, {"MINE": "hunter3"})
    assert from_file is not None
    assert from_environment is not None
    assert (from_file.get_secret_value(), from_environment.get_secret_value()) == ("hunter2", "hunter3")
    assert "hunter" not in f"{from_file!r} {from_environment} {BrokerOptions(host='a')!r}"
    assert BrokerOptions(host="a").password(tmp_path, {}) is None


@pytest.mark.parametrize("content", [None, b"", b"\n", b"\xff\xfe\x00"])
def test_a_password_file_that_is_none_is_named(content: bytes | None, tmp_path: Path) -> None:
    if content is not None:
        (tmp_path / "word").write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        BrokerOptions(host="a", password_file=Path("word")).password(tmp_path, {}, "service.toml")
    assert caught.value.key == "broker.password_file"


def test_users_of_the_embedded_broker_come_from_lines(tmp_path: Path) -> None:
    path = tmp_path / "users"
    path.write_text("# who\nservice:a:b\n\npanel: spaced \n")
    assert read_users(path, "service.toml") == {"service": "a:b", "panel": " spaced "}
    path.write_text("service:a\nhunter2\n")
    with pytest.raises(ConfigError) as caught:
        read_users(path, "service.toml")
    assert caught.value.key == "line 2"
    assert "hunter2" not in str(caught.value)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "somewhere.example"])
def test_the_embedded_broker_does_not_open_to_the_network_without_users(host: str) -> None:
    with pytest.raises(InputError, match="users"):
        EmbeddedBroker(host)
