"""Telling systemd that the service is ready, lives, or stops (sd_notify, without a library).

Source of the protocol: the manual page sd_notify(3): datagrams of VARIABLE=value to the socket that the
environment's NOTIFY_SOCKET names; a leading @ stands for the abstract name space.
"""

from __future__ import annotations

import os
import socket


def notify(state: str) -> bool:
    """Send a state such as READY=1 or WATCHDOG=1. False where nobody listens; never raises."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as stream:
            stream.setblocking(False)
            stream.sendto(state.encode(), address)
    except OSError:
        return False
    return True
