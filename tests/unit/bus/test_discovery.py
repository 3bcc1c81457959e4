"""Discovery messages for home automation: off unless asked for, and true to the plain topics."""

from __future__ import annotations

import json

import pytest
from pydantic import ValidationError

from tipdatum.bus.discovery import DiscoveryOptions, announcements
from tipdatum.bus.examples import EXAMPLES
from tipdatum.bus.messages import About
from tipdatum.bus.small import SmallDisplayOptions
from tipdatum.bus.topics import Topics

TOPICS = Topics("digger-1")
SMALL = SmallDisplayOptions(values=("online", "elevation_m", "quality"))


def about() -> About:
    return next(one for one in EXAMPLES["about"] if isinstance(one, About))


def test_nothing_is_announced_unless_a_prefix_is_given() -> None:
    assert announcements(DiscoveryOptions(), SMALL, TOPICS, about()) == []


def test_each_plain_value_is_announced_with_its_topic_unit_and_availability() -> None:
    told = announcements(DiscoveryOptions(prefix="auto"), SMALL, TOPICS, about())
    bodies = {topic: json.loads(payload) for topic, payload in told}
    elevation = bodies["auto/sensor/tipdatum-digger-1-elevation_m/config"]
    assert elevation["state_topic"] == "tipdatum/digger-1/value/elevation_m"
    assert elevation["unit_of_measurement"] == "m"
    assert elevation["availability"][0]["topic"] == "tipdatum/digger-1/status"
    assert elevation["expire_after"] <= 2
    assert "unit_of_measurement" not in bodies["auto/sensor/tipdatum-digger-1-quality/config"]
    online = bodies["auto/binary_sensor/tipdatum-digger-1-online/config"]
    assert (online["payload_on"], online["payload_off"]) == ("1", "0")
    assert len({body["unique_id"] for body in bodies.values()}) == 3


@pytest.mark.parametrize("prefix", ["a/#", "+", "a b", "/a", "a/"])
def test_a_prefix_that_is_no_topic_is_refused(prefix: str) -> None:
    with pytest.raises(ValidationError):
        DiscoveryOptions(prefix=prefix)
