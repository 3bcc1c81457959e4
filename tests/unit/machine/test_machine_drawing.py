"""The drawing of `tipdatum check --picture`: true to scale, and wrong where a sign is wrong."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from tipdatum.machine.description import Machine, load_machine
from tipdatum.machine.drawing import standing

ROOT = Path(__file__).parents[3]
MACHINES = sorted((ROOT / "config" / "machines").glob("*.toml"))
SVG = "{http://www.w3.org/2000/svg}"


def machine(name: str) -> Machine:
    return load_machine(ROOT / "config" / "machines" / f"{name}.toml")


def words(drawing: str) -> dict[str, tuple[float, float]]:
    """Text → where it stands; y grows downwards."""
    texts = ElementTree.fromstring(drawing).iter(f"{SVG}text")
    return {"".join(t.itertext()): (float(t.get("x", 0)), float(t.get("y", 0))) for t in texts}


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_every_shipped_machine_can_be_drawn_with_its_sensors(path: Path) -> None:
    described = load_machine(path)
    told = words(standing(described))
    for name, sensor in described.sensor.items():
        assert (name in told) == (sensor.type != "slew"), name


def test_the_tip_stands_where_the_chain_puts_it() -> None:
    described = machine("demo")
    drawing = standing(described)
    circles = [
        (float(c.get("cx", 0)), float(c.get("cy", 0)))
        for c in ElementTree.fromstring(drawing).iter(f"{SVG}circle")
    ]
    (foot, elbow, wrist) = circles[-3:]
    long = ((elbow[0] - foot[0]) ** 2 + (elbow[1] - foot[1]) ** 2) ** 0.5
    short = ((wrist[0] - elbow[0]) ** 2 + (wrist[1] - elbow[1]) ** 2) ** 0.5
    assert long / short == pytest.approx(described.boom.length_m / described.stick.length_m, rel=0.002)


def test_a_positive_swing_is_drawn_to_the_left_of_straight_ahead() -> None:
    told = words(standing(machine("swing-boom")))
    assert told["swing +20°: left"][1] < told["slew axis"][1]
    assert "From above" not in words(standing(machine("demo")))


def test_a_tilt_axis_the_wrong_way_round_is_seen() -> None:
    described = machine("tilting-bucket")
    right = words(standing(described))
    assert right["left"][0] < right["right"][0]
    assert right["left"][1] < right["right"][1], "a positive tilt lifts the left side"
    bucket = described.bucket[0].model_copy(update={"tilt_axis_deg": 128.5 - 180.0})
    wrong = words(standing(described.model_copy(update={"bucket": (bucket,)})))
    assert wrong["left"][1] > wrong["right"][1]


def test_a_mount_that_looks_the_other_way_is_seen() -> None:
    described = machine("demo")
    before = words(standing(described))
    sensor = described.sensor["boom"].model_copy(update={"mount_rpy_deg": (0.0, 0.0, 180.0)})
    after = words(standing(described.model_copy(update={"sensor": {"boom": sensor}})))
    assert before["boom"] == after["boom"]
    assert after["x"][0] < after["boom"][0]


@pytest.mark.parametrize("name", ["two-piece", "swing-boom", "tilting-bucket", "coupler"])
def test_the_drawing_in_the_documents_is_the_one_of_today(name: str) -> None:
    shown = ROOT / "service" / "tipdatum" / "docs" / f"machine-{name}.svg"
    assert shown.read_text(encoding="utf-8") == standing(machine(name))
