"""Another service that speaks for the same machine, recognised by what it writes on our own status topic.

Brokers differ in whether they tell a client that another one with its id took over (MQTT 5 can, mosquitto 2.0
does not), and with different ids two services would mix their figures without anybody noticing.

Pure: payloads in, findings out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import orjson

Finding = Literal["twin", "overwritten"]


@dataclass(slots=True)
class TwinWatch:
    """Judges what comes in on our status topic. `run` is what our own statuses carry."""

    run: str
    _written: bool = field(default=False, init=False)

    def wrote(self) -> None:
        """Our status went out: whatever else stands there from now on is somebody else's."""
        self._written = True

    def judge(self, payload: bytes, *, retained: bool) -> Finding | None:
        """`twin`: another service lives. `overwritten`: an earlier one's last will covers our status."""
        try:
            status = orjson.loads(payload)
        except orjson.JSONDecodeError:
            return None
        if not isinstance(status, dict) or status.get("run") in (None, self.run):
            return None
        if retained:
            # Found when we came back, after we had written ours: somebody was here in between.
            return "twin" if self._written else None
        return "twin" if status.get("state") == "online" else "overwritten"
