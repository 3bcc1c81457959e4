"""Every command once, in an order in which a machine that stands still takes them all.

The bodies are as a program would send them; `typed` is the same as a person types it after `tipdatum send`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.reading import Beam, Command, Imu, SessionHeader

MACHINE: dict[str, Any] = {
    "name": "invented still machine",
    "boom": {"foot_m": [0.3, 0.0, 1.8], "length_m": 4.7},
    "stick": {"length_m": 2.4},
    "bucket": [
        {"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6},
        {"name": "ditching 1400", "tip_m": 1.25, "width_m": 1.4},
    ],
    "sensor": {
        "upper": {"body": "upper"},
        "boom": {"body": "boom"},
        "stick": {"body": "stick"},
        "bucket": {"body": "bucket"},
        "laser": {"body": "stick", "type": "beam", "position_m": [1.2, 0.0, 0.3]},
    },
}

POSTURE = {"upper": (0.0, 9.8), "boom": (3.4, 9.2), "stick": (-8.5, 4.9), "bucket": (-9.6, -1.7)}
"""Specific force along x and z of each body, m/s²: level, arm half out, the tip pointing down."""


@dataclass(frozen=True)
class Step:
    """One command: its body, and how the same is typed where that differs."""

    name: str
    body: dict[str, Any] = field(default_factory=dict)
    words: tuple[str, ...] = ()

    @property
    def typed(self) -> list[str]:
        """After `tipdatum send`."""
        pairs = self.words or tuple(f"{key}={json.dumps(value)}" for key, value in self.body.items())
        return [self.name, *pairs]


STEPS = [
    Step("event/again", {"first": 1}),
    Step("mark/add", {"name": "BM1", "elevation_m": 24.31}, ("name=BM1", "elevation_m=24.31")),
    Step("datum/set", {"elevation_m": 24.31, "mark": "BM1"}, ("elevation=24310mm", "mark=BM1")),
    Step("datum/confirm"),
    Step("tip/why"),
    Step("mark/keep", {"name": "TP1"}, ("name=TP1",)),
    Step("mark/return", {"name": "TP1"}, ("name=TP1",)),
    Step("mark/check", {"name": "BM1"}, ("name=BM1",)),
    Step("ground/set"),
    Step("trench/new", {"name": "A", "soil": "B"}, ("name=A", "soil=B")),
    Step("trench/jurisdiction", {"jurisdiction": "us"}, ("jurisdiction=us",)),
    Step("trench/overhead-line", {"kilovolts": 20}),
    Step("limit/set", {"kind": "far reach", "value_m": 9.0}, ("kind=far reach", "value=9 m")),
    Step("limit/clear", {"kind": "far reach"}, ("kind=far reach",)),
    Step("laser/plane", {"elevation_m": 26.0}),
    Step("laser/check", {"crossings": 2}),
    Step("laser/set", {"elevation_m": 26.0, "crossings": 2}, ("elevation=26m", "crossings=2")),
    Step("laser/clear"),
    Step("target/below-plane", {"depth_m": 2.0, "grade": "1%"}, ("depth=2 m", "grade=1%")),
    Step("target/pipe", {"invert_m": 23.0, "grade": "falling 1:150", "bedding_m": 0.1, "through": "here"}),
    Step("target/layer", {"name": "bedding"}, ("name=bedding",)),
    Step("target/layers", {"layers": [{"name": "stone", "up_m": 0.15}]}),
    Step("target/profile", {"points": [[-9, 24.0], [9, 23.5]], "through": "here"}),
    Step(
        "target/ditch",
        {"bottom_m": 0.5, "batter": "1V:1.5H", "grade": "falling 1:200", "through": "here", "depth_m": 0.8},
        ("bottom=0.5 m", "batter=1V:1.5H", "grade=falling 1:200", "through=here", "depth=0.8 m"),
    ),
    Step("target/level", {"elevation_m": 24.0}, ("elevation=24m",)),
    Step("target/grade", {"grade": "falling 1%", "through": "here"}, ("grade=falling 1%", "through=here")),
    Step("target/tolerance", {"above_m": 0.0, "below_m": 0.025}, ("above=0 mm", "below=25 mm")),
    Step("point/record", {"code": "INV", "note": "joint 3"}, ("code=INV", "note=joint 3")),
    Step("station/set", {"station_m": 12.5}, ("station=12.5m",)),
    Step("point/record", {"code": "INV"}, ("code=INV",)),
    Step("point/auto", {"on": True}),
    Step("volume/trench", {"ground_m": 25.5}, ("ground=25.5m",)),
    Step("point/export"),
    Step("point/clear", {"sure": True}),
    Step("bucket/wear-set", {"wear_m": 0.005}, ("wear=5mm",)),
    Step("datum/set", {"elevation_m": 24.31, "mark": "BM1"}, ("elevation_m=24.31", "mark=BM1")),
    Step("bucket/choose", {"name": "ditching 1400"}, ("name=ditching 1400",)),
    Step("bucket/wear", {"mark": "BM1"}, ("mark=BM1",)),
    Step("datum/correct", {"add_m": -0.001, "remark": "site level"}, ("add=-1mm", "remark=site level")),
    Step("book/close", {"mark": "BM1"}, ("mark=BM1",)),
    Step("book/distribute"),
    Step("book/export", {"form": "csv"}, ("form=csv",)),
    Step("book/new", {"sure": True}),
    Step("morning/ask"),
    Step("morning/answer", {"question": "bucket", "yes": True}, ("question=bucket", "yes=true")),
    Step("target/clear"),
    Step("change/undo"),
    Step("mark/forget", {"name": "TP1"}, ("name=TP1",)),
    Step("datum/clear"),
]


def write_session(path: Path, seconds: float, commands: list[Command] | None = None) -> None:
    """A machine that stands still with its receiver on the beam every half second, with these commands."""
    due = list(commands or [])
    with path.open("wb") as out:
        out.write(encode_header(SessionHeader(1, "2026-05-04T08:00:00Z", MACHINE)))
        for step in range(int(seconds * 50)):
            for place, (body, (x, z)) in enumerate(POSTURE.items()):
                flicker = ((step * 7 + place * 3) % 11 - 5) * 0.001
                imu = Imu(
                    step / 50 + place * 0.003, body, (x + flicker, flicker, z - flicker),
                    (flicker * 0.01, -flicker * 0.01, flicker * 0.01),
                )  # fmt: skip
                out.write(encode_line(imu))
            if step % 25 == 0:
                out.write(encode_line(Beam(step / 50 + 0.012, "laser")))
            while due and due[0].t <= step / 50 + 0.015:
                out.write(encode_line(due.pop(0)))
