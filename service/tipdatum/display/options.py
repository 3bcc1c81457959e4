"""`[display]` of the service's file: the page that the service serves."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from tipdatum_drivers.options import Table


class DisplayOptions(Table):
    """Whether and where the page is served."""

    enabled: bool = True
    host: str = "127.0.0.1"
    """Address the page is served on; other than loopback, anyone in the network can open it."""
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    """0: a free one, which the log names."""
    websocket: str | None = None
    """The broker's WebSocket address as the browser reaches it; None: the embedded broker's."""
    role: Literal["display", "panel", "integrator"] = "panel"
    units: Literal["mm", "cm", "m", "ft", "ft-in"] = "mm"
    language: str = ""
    """Empty: the browser's."""
