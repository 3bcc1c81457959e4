"""What changed in which version of the message contract.

Whoever changes a message, a command, a topic's delivery or a plain topic raises `CONTRACT_VERSION` in
`messages.py` (major for what breaks a reader, minor for what is added) and adds a line here; a test holds the
fingerprint of `contract.fingerprint()` against it.
"""

from __future__ import annotations

from typing import NamedTuple


class Version(NamedTuple):
    """A version of the contract: its fingerprint, and what is new for who reads or sends messages."""

    fingerprint: str
    note: str


VERSIONS: dict[str, Version] = {
    "1.0": Version("0d65e339dcad74ad", "First version."),
}
