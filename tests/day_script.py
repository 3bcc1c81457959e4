"""The simulated working day as an operator's commands: when which is sent.

Events and their times come from the day's `events.json` (the developers' simulated sessions); targets are
those of its trenches.
"""

from __future__ import annotations

from typing import Any

from tipdatum_drivers.reading import Command

LASER_M = 26.300
TRENCH_A_M, TRENCH_C_M = 23.150, 23.480


def touches(events: list[dict[str, Any]]) -> list[Command]:
    """Reference, marks, laser, bucket and closing: what carries the elevation through the day."""
    commands = [Command(350.0, "laser/check", {"elevation_m": LASER_M, "crossings": 5})]
    kept: set[str] = set()
    for event in events:
        t, mark, known = event["t"], event["mark"], event["known_elevation_m"]
        if event["what"] == "bucket":
            commands.append(Command(t, "bucket/choose", {"name": event["bucket"]}))
        elif event["what"] != "touch":
            continue
        elif mark == "BM2":
            commands.append(Command(t, "book/close", {"mark": mark, "elevation_m": known}))
        elif mark == "KM3":
            commands.append(Command(1.0, "mark/add", {"name": mark, "elevation_m": known}))
            commands.append(Command(t, "mark/check", {"name": mark}))
        elif known is not None:
            commands.append(Command(t, "datum/set", {"elevation_m": known, "mark": mark}))
        else:
            name = "mark/return" if mark in kept else "mark/keep"
            kept.add(mark)
            commands.append(Command(t, name, {"name": mark}))
    return sorted(commands, key=lambda c: c.t)


def digging(events: list[dict[str, Any]]) -> list[Command]:
    """Targets, tolerance and as-dug points, sent a little after the touches that they rest on.

    Trench B falls towards the machine by 1 %: its design is 23.150 at 8.2 m from the slew axis of set-up 2,
    which stands 4.0 m behind that of set-up 1. Without a slew sensor the grade follows the boom plane; it is
    laid out at turning point 1, 6.34 m from the axis, where the design is 0.0186 m lower.
    """
    turning_point = next(e["t"] for e in events if e["mark"] == "TP1" and e["setup"] == 2)
    first, last = events[0]["t"], next(e["t"] for e in events if e["mark"] == "KM3")
    auto = {"on": True, "step_m": 0.25, "within_m": 0.05}
    return [
        Command(2.0, "target/tolerance", {"above_m": 0.03, "below_m": 0.03}),
        Command(first + 2.0, "target/level", {"elevation_m": TRENCH_A_M}),
        Command(first + 2.5, "point/auto", {**auto, "code": "A"}),
        Command(
            turning_point + 0.2,
            "target/grade",
            {"grade": "rising 1%", "through": "here", "elevation_m": TRENCH_A_M - 0.0186},
        ),
        Command(turning_point + 2.0, "point/auto", {**auto, "code": "B"}),
        Command(last + 2.0, "target/level", {"elevation": f"{TRENCH_C_M * 1000:.0f} mm"}),
        Command(last + 2.5, "point/auto", {**auto, "code": "C"}),
    ]
