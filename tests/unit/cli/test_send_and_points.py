"""What people type after `send`, and what `points` and `convert` print."""

from __future__ import annotations

from pathlib import Path

import pytest

from tipdatum.cli import main
from tipdatum.cli.convert import converted
from tipdatum.cli.options import body_of
from tipdatum.cli.points import joined
from tipdatum.errors import InputError


def test_values_are_json_where_they_can_be_and_text_otherwise(tmp_path: Path) -> None:
    table = tmp_path / "ditch.csv"
    table.write_text("station_m,elevation_m\n0,1\n", encoding="utf-8")
    assert body_of(
        ["elevation_m=24.31", "in_line=true", "depth=1.2m", "grade=falling 1%", f"table=@{table}"]
    ) == {
        "elevation_m": 24.31,
        "in_line": True,
        "depth": "1.2m",
        "grade": "falling 1%",
        "table": "station_m,elevation_m\n0,1\n",
    }


@pytest.mark.parametrize(
    ("pair", "words"), [("24.31", "key=value"), ("=3", "key=value"), ("t=@no.csv", "no.csv")]
)
def test_a_pair_that_is_none_is_named(pair: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        body_of([pair])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["send", "datum/set", "elevation_m=24310"], "metres"),
        (["send", "datum/zet"], "datum/set"),
        (["convert", "1:3"], "which side is vertical"),
        (["convert", "1.2"], "has no unit"),
    ],
)
def test_a_mistake_is_found_before_it_travels(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert words in capsys.readouterr().err


def test_every_unit_of_a_quantity_is_shown() -> None:
    length, forms = converted("4' 3 1/2\"")
    assert length == {"length_m": pytest.approx(51.5 * 0.0254)}
    assert forms["m"] == "1.308 m"
    grade, forms = converted("1/4 in/ft")
    assert grade == {"grade": pytest.approx(1 / 48)}
    assert "1:48 (rise:run)" in forms.values()


def test_exports_in_parts_are_joined_under_one_head() -> None:
    parts = ["# says\npoint,elevation_m\n1,2.000\n", "# says\npoint,elevation_m\n2,3.000\n"]
    assert joined(parts, plain=False) == "# says\npoint,elevation_m\n1,2.000\n2,3.000\n"
    assert joined(parts, plain=True) == "point,elevation_m\n1,2.000\n2,3.000\n"
