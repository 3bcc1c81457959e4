"""Discovery messages for home automation: retained, so that figures appear there without being set up.

The convention is open and widely read: a JSON object under `<prefix>/<component>/<object>/config`, whose keys
name the topic, its unit, and how to tell that the source is gone (keys from memory of the convention). Off
unless a prefix is given. What it announces are the plain topics; no figure is retained by it.
"""

from __future__ import annotations

import json
import re
from typing import Any

from pydantic import Field, field_validator

from tipdatum.bus.messages import About
from tipdatum.bus.small import SmallDisplayOptions, Value
from tipdatum.bus.topics import Topics
from tipdatum_drivers.options import Table

_PREFIX = re.compile(r"[^+#\s/]+(/[^+#\s/]+)*|")
EXPIRES_S = 2
"""After which a figure that is not repeated is shown as not available; whole seconds in the convention."""
_NAMES: dict[Value, str] = {
    "online": "Service", "elevation_m": "Tip elevation", "deviation_m": "Tip to target", "sigma_m": "Sigma",
    "left_m": "Left corner elevation", "right_m": "Right corner elevation", "reach_m": "Reach",
    "lateral_m": "Sideways", "left_deviation_m": "Left corner to target",
    "right_deviation_m": "Right corner to target", "governing_deviation_m": "Lowest point to target",
    "quality": "Quality", "datum": "Reference",
}  # fmt: skip


class DiscoveryOptions(Table):
    """`[broker.discovery]`: retained messages by which home automation finds the plain topics."""

    prefix: str = Field(
        default="", description="topic that the home automation reads them under; empty: none"
    )

    @field_validator("prefix")
    @classmethod
    def _plain(cls, prefix: str) -> str:
        if not _PREFIX.fullmatch(prefix):
            raise ValueError("a topic without +, # or blanks, or nothing")
        return prefix


def announcements(
    options: DiscoveryOptions, small: SmallDisplayOptions, topics: Topics, about: About
) -> list[tuple[str, bytes]]:
    """Topic and payload of each message to retain; none where no prefix is given."""
    if not options.prefix:
        return []
    return [_announcement(options.prefix, name, topics, about) for name in small.values]


def _announcement(prefix: str, name: Value, topics: Topics, about: About) -> tuple[str, bytes]:
    ident = f"tipdatum-{topics.machine_id}"
    body: dict[str, Any] = {
        "name": _NAMES[name],
        "unique_id": f"{ident}-{name}",
        "state_topic": topics.of("value", name),
        "expire_after": EXPIRES_S,
        # The broker's own word on whether the service lives.
        "availability": [
            {
                "topic": topics.of("status"),
                "value_template": "{{ value_json.state }}",
                "payload_available": "online",
                "payload_not_available": "offline",
            }
        ],
        "device": {
            "identifiers": [ident],
            "name": str(about.machine.get("name", topics.machine_id)),
            "sw_version": about.version,
        },
    }
    if name.endswith("_m"):
        body |= {"unit_of_measurement": "m", "state_class": "measurement", "suggested_display_precision": 3}
    component = "sensor"
    if name == "online":
        component = "binary_sensor"
        body |= {"payload_on": "1", "payload_off": "0", "device_class": "connectivity"}
    return f"{prefix}/{component}/{ident}-{name}/config", json.dumps(body).encode()
