"""The edge in the terminal: the tilt to set, both falls, both corners, the ditch's face, the swing."""

from __future__ import annotations

import json
from typing import Any

import pytest
from rich.console import Console

from tipdatum.display.edge_lines import edge_lines
from tipdatum.display.terminal import View
from tipdatum.display.texts import speech

ENGLISH = speech()
CORNERS = [{"name": "left"}, {"name": "right"}]
ARM: dict[str, Any] = {
    "corners": CORNERS, "tilt_deg": -12.0, "edge_fall_percent": 25.03, "target_fall_percent": 40.0,
    "tilt_to_set_deg": 8.2, "target_face": "left", "swing_deg": 12.4,
}  # fmt: skip
DITCH = {"target": {"kind": "ditch"}}


def test_the_tilt_to_set_comes_first_and_then_what_it_is_for() -> None:
    """What rises to the left falls to the right; to fall as the target the left side has to come up."""
    assert edge_lines(ARM, DITCH, ENGLISH) == [
        "tilt by 8.2°, left side up", "edge: 25.0 % falling right", "target: 40.0 % falling right",
        "nearest: the left side", "boom swung 12° to the left",
    ]  # fmt: skip


def test_the_other_way_round() -> None:
    arm = {**ARM, "edge_fall_percent": 10.0, "target_fall_percent": -20.0, "tilt_to_set_deg": -17.0}
    assert edge_lines(arm, DITCH, ENGLISH)[:3] == [
        "tilt by 17.0°, right side up", "edge: 10.0 % falling right", "target: 20.0 % falling left",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "first"),
    [
        ({"edge_fall_percent": 39.8}, "the tilt is set"),
        ({"tilt_to_set_deg": None}, "edge: 25.0 % falling right"),
        ({"edge_fall_percent": None}, "edge: upright"),
    ],
)
def test_what_is_set_upright_or_not_known(change: dict[str, Any], first: str) -> None:
    assert edge_lines(ARM | change, DITCH, ENGLISH)[0] == first


@pytest.mark.parametrize(
    "state",
    [{}, {"target": None}, {"target": {"kind": "level"}}, {"target": {"kind": "grade", "cross": 0.0}}],
)
def test_a_plain_bucket_on_a_target_that_is_square_to_it_has_nothing_to_say(state: dict[str, Any]) -> None:
    plain = {**ARM, "tilt_deg": None, "tilt_to_set_deg": None, "swing_deg": None, "target_face": None}
    assert edge_lines(plain, state, ENGLISH) == []
    crossed = edge_lines(plain, {"target": {"kind": "grade", "cross": 0.4}}, ENGLISH)
    assert crossed == ["edge: 25.0 % falling right", "target: 40.0 % falling right"]


@pytest.mark.parametrize("junk", ["left", 3, [1], {"a": 1}, True])
def test_what_is_no_figure_is_not_shown_as_one(junk: Any) -> None:
    for key in ARM:
        edge_lines({**ARM, key: junk}, {"target": junk}, ENGLISH)


def screen(language: str, *, arm_at: float = 10.0, columns: int = 80, rows: int = 24) -> str:
    view = View(say=speech(language))
    view.link(True, "127.0.0.1:1883")
    tip = {
        "t": 1.0, "time": "2026-05-04T08:00:01.000Z", "elevation_m": -1.234, "left_m": -1.1, "right_m": -1.4,
        "reach_m": 5.2, "lateral_m": 0.0, "sigma_m": 0.012, "quality": "good", "reasons": [], "datum": "set",
        "deviation_m": 0.045, "left_deviation_m": 0.12, "right_deviation_m": -0.03, "governing": "right",
    }  # fmt: skip
    for name, message, at in (("state", DITCH, 10.0), ("arm", ARM, arm_at), ("tip", tip, 10.0)):
        view.apply(f"tipdatum/digger-1/{name}", json.dumps(message).encode(), at)
    console = Console(width=columns, height=rows, force_terminal=True, color_system=None, record=True)
    with console.capture() as captured:
        console.print(view.render(columns, rows, 10.1))
    return captured.get()


@pytest.mark.parametrize("language", ["en", "de"])
def test_both_corners_with_what_they_have_left_stand_on_the_smallest_usual_screen(language: str) -> None:
    shown = screen(language)
    comma = language == "de"
    for figure in ("-1.100 m", "+0.120 m", "-1.400 m", "-0.030 m"):
        assert (figure.replace(".", ",") if comma else figure) in shown
    assert ("um 8,2° neigen, links hoch" if comma else "tilt by 8.2°, left side up") in shown


def test_an_edge_whose_message_is_old_is_not_shown() -> None:
    assert "tilt by" not in screen("en", arm_at=9.5)
