"""Everything about a connection that does not change from one to the next, and its TLS."""

from __future__ import annotations

import ssl
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import SecretStr

from tipdatum.bus.messages import Status
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import Topics
from tipdatum.errors import PortError


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """Everything about one connection that does not change while it stands."""

    host: str
    port: int
    client_id: str
    keepalive_s: int
    status: str  # topic of our status: the last will goes there, and others' show there
    will: bytes
    commands: str  # topic filter
    user: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


def link_settings(
    options: BrokerOptions, topics: Topics, password: SecretStr | None, base: Path, run: str
) -> LinkSettings:
    """Settings of one run's connections: `run` marks our statuses, relative paths start from `base`."""
    will = Status(state="offline", reason="connection lost", run=run)
    tls = options.tls
    settings = LinkSettings(
        host=options.host or "127.0.0.1",
        port=options.actual_port,
        client_id=options.name_at_broker(topics.machine_id),
        keepalive_s=options.keepalive_s,
        status=topics.of("status"),
        will=will.model_dump_json().encode(),
        commands=topics.commands,
        user=options.user,
        password=password,
    )
    if tls is None:
        return settings
    return replace(
        settings,
        tls=True,
        ca=base / tls.ca if tls.ca else None,
        certificate=base / tls.certificate if tls.certificate else None,
        key=base / tls.key if tls.key else None,
    )


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself where the handshake fails; the library lets go of it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def tls_context(settings: LinkSettings) -> ssl.SSLContext:
    """A context as the options ask for; made anew for every connection, so renewed certificates count.

    Raises:
        PortError: a file that cannot be read or used.
    """
    file = settings.ca
    try:
        context = ssl.create_default_context(cafile=file)
        if settings.certificate is not None:
            file = settings.certificate
            context.load_cert_chain(file, settings.key)
        context.sslsocket_class = _ClosingSocket
    except OSError as error:  # ssl.SSLError is one
        reason = (getattr(error, "reason", None) or error.strerror or str(error)).replace("_", " ").lower()
        raise PortError(f"{file} cannot be used for TLS: {reason}", retry_helps=True) from None
    return context
