"""The shipped digs give what they gave: a change of any figure is seen, and explained where it is meant.

`tests/golden/rebuild.py` makes the expected results anew.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from module_at import module_at

HERE = Path(__file__).parent
DIGS = sorted((HERE.parents[1] / "replay_data").glob("*.ndjson.gz"))

LENGTH_M = 0.001
"""Figures are published to 0.1 mm. The filters multiply matrices; libraries for other processors round the
last bit otherwise and the difference stays far below a millimetre. A millimetre is a change of behaviour."""
SIGMA = 0.02
"""Relative: sigma is a second-order figure, and nobody reads its third digit."""
WORDS = 0.01
"""Share of messages whose words may differ: a threshold that a last bit crosses one tick earlier or later."""

LENGTHS = ("elevation_m", "left_m", "right_m", "reach_m", "lateral_m", "deviation_m")


REBUILD = module_at(HERE / "rebuild.py")


@pytest.mark.parametrize("dig", DIGS, ids=lambda path: path.name.split(".")[0])
def test_a_shipped_dig_gives_what_it_gave(dig: Path, replayed: Callable[[Path], Path]) -> None:
    expected = [json.loads(line) for line in REBUILD.expected_path(dig).read_text().splitlines()]
    got = [json.loads(line) for line in REBUILD.kept(replayed(dig))]
    assert [row["t_emit"] for row in got] == [row["t_emit"] for row in expected]
    wrong = [difference for a, b in zip(got, expected, strict=True) if (difference := _differs(a, b))]
    assert not wrong, f"{len(wrong)} of {len(got)} messages differ, first: {wrong[0]}"
    for field in ("quality", "datum", "reasons"):
        other = sum(a[field] != b[field] for a, b in zip(got, expected, strict=True))
        assert other <= WORDS * len(got), f"{field} differs in {other} of {len(got)} messages"


def _differs(got: dict[str, Any], expected: dict[str, Any]) -> str:
    for key in (*LENGTHS, "sigma_m"):
        a, b = got[key], expected[key]
        if (a is None) != (b is None):
            return f"t {got['t']}: {key} {a}, expected {b}"
        if a is not None and abs(a - b) > (SIGMA * b + LENGTH_M if key == "sigma_m" else LENGTH_M):
            return f"t {got['t']}: {key} {a}, expected {b}"
    return ""


def test_every_shipped_dig_is_told_of_and_has_an_expected_result() -> None:
    assert len(DIGS) >= 3
    told = (HERE.parents[1] / "replay_data" / "README.md").read_text()
    assert set(re.findall(r"`(\w+\.ndjson\.gz)`", told)) == {path.name for path in DIGS}
    for dig in DIGS:
        assert REBUILD.expected_path(dig).exists()
        assert dig.stat().st_size < 400_000, "a dig is small enough to be cloned by everyone"
