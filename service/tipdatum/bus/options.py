"""The `[broker]` table of the service's file: where the broker is and who we are there.

A password never stands in the file: it comes from a file of its own or from the environment, and no
`repr` or log line shows it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, SecretStr, field_validator, model_validator

from tipdatum.bus.discovery import DiscoveryOptions
from tipdatum.bus.small import SmallDisplayOptions
from tipdatum.bus.topics import MACHINE_ID, ROOT
from tipdatum.errors import ConfigError
from tipdatum_drivers.options import FilePath, Table

PASSWORD_VARIABLE = "TIPDATUM_BROKER_PASSWORD"
PLAIN_PORT, TLS_PORT = 1883, 8883  # as registered for MQTT with IANA

Protocol = Literal["auto", "5", "3.1.1"]
_ROOT = re.compile(r"[^+#/\s$][^+#\s]*(?<!/)")


class TlsOptions(Table):
    """`[broker.tls]`: present means TLS. Paths are relative to the service's file."""

    ca: FilePath | None = Field(
        default=None, description="certificates to trust, PEM; the computer's own store without it"
    )
    certificate: FilePath | None = Field(default=None, description="our client certificate, PEM")
    key: FilePath | None = Field(default=None, description="its private key, PEM")

    @model_validator(mode="after")
    def _pair(self) -> Self:
        if self.key is not None and self.certificate is None:
            raise ValueError("a certificate beside the key that belongs to it")
        return self


class EmbeddedOptions(Table):
    """`[broker.embedded]`: the broker that comes with the service, used where `host` names none."""

    listen: str = Field(default="127.0.0.1", description="address; other than loopback only with users_file")
    port: int | None = Field(
        default=None, ge=1, le=65535, description="1883 without it, or a free one where that is taken"
    )
    ws_port: int | None = Field(default=None, ge=1, le=65535, description="WebSockets; a free one without it")
    users_file: FilePath | None = Field(default=None, description='lines "user:password"')


class BrokerOptions(Table):
    """`[broker]`."""

    host: str | None = Field(default=None, min_length=1, description="absent: the embedded broker")
    port: int | None = Field(default=None, ge=1, le=65535, description="1883, or 8883 with TLS")
    protocol: Protocol = Field(default="auto", description="auto: 5, and 3.1.1 where the broker knows no 5")
    user: str | None = Field(default=None, min_length=1)
    password_file: FilePath | None = Field(default=None, description="first line is the password")
    password_env: str = Field(default=PASSWORD_VARIABLE, description="environment variable with the password")
    client_id: str | None = Field(
        default=None, min_length=1, max_length=128, description="tipdatum-<machine id>"
    )
    topic_root: str = ROOT
    keepalive_s: int = Field(
        default=10, ge=2, le=3600, description="a broker says we are gone after 1.5 times this"
    )
    event_queue: int = Field(
        default=10_000, ge=1, le=1_000_000, description="events kept while the broker is away"
    )
    tls: TlsOptions | None = None
    embedded: EmbeddedOptions = EmbeddedOptions()
    small_displays: SmallDisplayOptions = SmallDisplayOptions()
    discovery: DiscoveryOptions = DiscoveryOptions()

    @field_validator("topic_root")
    @classmethod
    def _plain_root(cls, root: str) -> str:
        if not _ROOT.fullmatch(root):
            raise ValueError("a topic such as tipdatum or site7/machines, without +, # or blanks")
        return root

    @property
    def uses_embedded(self) -> bool:
        """Whether the service starts its own broker."""
        return self.host is None

    @property
    def actual_port(self) -> int:
        """The port to connect to."""
        return self.port or (TLS_PORT if self.tls is not None else PLAIN_PORT)

    def name_at_broker(self, machine_id: str) -> str:
        """The client id."""
        if not MACHINE_ID.fullmatch(machine_id):
            raise ValueError(f"{machine_id!r} is no machine id")
        return self.client_id or f"tipdatum-{machine_id}"

    def password(
        self, base: Path = Path(), environ: Mapping[str, str] | None = None, file: str = "broker"
    ) -> SecretStr | None:
        """The password, from its file (relative to `base`) or the environment; None where there is none.

        Raises:
            ConfigError: a password file that cannot be read or is empty; `file` names the service's file.
        """
        if self.password_file is not None:
            return SecretStr(read_secret(base / self.password_file, file, "broker.password_file"))
        value = (os.environ if environ is None else environ).get(self.password_env)
        return SecretStr(value) if value else None


def read_secret(path: Path, file: str, key: str) -> str:
    """First line of a file that holds a secret.

    Raises:
        ConfigError: it cannot be read or is empty.
    """
    lines = _read(path, file, key).splitlines()
    if not lines or not lines[0].strip():
        raise ConfigError(file, key, f'"{path}", which is empty', "a file whose first line is the password")
    return lines[0]


def read_users(path: Path, file: str) -> dict[str, str]:
    """Users of the embedded broker, from lines "user:password"; blank lines and lines with # are passed over.

    Raises:
        ConfigError: it cannot be read, or a line is no such pair. The message never shows a password.
    """
    users: dict[str, str] = {}
    for number, line in enumerate(_read(path, file, "broker.embedded.users_file").splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        user, colon, word = line.partition(":")
        if not (user.strip() and colon and word):
            raise ConfigError(str(path), f"line {number}", "no such pair", 'a line "user:password"')
        users[user.strip()] = word
    if not users:
        raise ConfigError(str(path), "", "no user", 'at least one line "user:password"')
    return users


def _read(path: Path, file: str, key: str) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ConfigError(file, key, f'"{path}" ({reason})', "a file that can be read") from None
    except UnicodeDecodeError:
        raise ConfigError(file, key, f'"{path}", which is not UTF-8', "a text file") from None
