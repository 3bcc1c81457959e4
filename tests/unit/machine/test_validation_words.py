"""Whatever stands in a description, the answer is a machine or one sentence."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, model_validator

from tipdatum.errors import ConfigError, UnknownKeyError
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.validation import Misfit, parse_model

SOUND: dict[str, Any] = {
    "name": "M",
    "boom": {"foot_m": [0.35, 0, 1.75], "length_m": 4.6},
    "stick": {"length_m": 2.5},
    "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6, "outline_m": [[0.8, 0.5]]}],
    "linkage": {
        "rocker_pivot_m": [2.15, 0.02], "rocker_m": 0.6, "link_m": 0.55, "bucket_ear_m": 0.39,
        "bucket_ear_angle_deg": 136.0, "assembly": 1,
    },
    "sensor": {"boom": {"body": "boom", "mount_rpy_deg": [0, 0, 0], "noise": {"tilt_deg": 0.1}}},
    "tolerance": {"heave_m": 0.01},
}  # fmt: skip

odd = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**6), 10**6)
    | st.floats()
    | st.text(max_size=6)
    | st.sampled_from(["boom", "imu", "rocker", 4600, -1, 0]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=5,
)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        found += _places(inner, (*path, key))
    return found


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(st.sampled_from(_places(SOUND)), odd), min_size=1, max_size=3))
def test_any_change_of_a_description_gives_a_machine_or_one_sentence(
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    data = copy.deepcopy(SOUND)
    for path, value in changes:
        place: Any = data
        try:
            for key in path[:-1]:
                place = place[key]
            place[path[-1]] = value
        except (TypeError, KeyError, IndexError):
            return
    told = ""
    try:
        assert isinstance(parse_machine(data, "m.toml"), Machine)
    except ConfigError as error:
        told = str(error)
    assert not told or told.startswith("m.toml: ")
    assert len(told) < 400


class Pair(BaseModel):
    model_config = ConfigDict(extra="forbid")

    low_m: Annotated[float, Field(ge=0)] = 0.0
    high_m: Annotated[float, Field(lt=10)] = 1.0
    kind: Literal["a", "b"] = "a"
    count: Annotated[int, Field(ge=1, le=5)] = 1
    words: list[str] = []
    on: bool = True
    file: Path | tuple[Path, ...] = Path()

    @model_validator(mode="after")
    def _ordered(self) -> Pair:
        if self.low_m > self.high_m:
            raise Misfit("low_m", f"{self.low_m:g}", f"no more than high_m = {self.high_m:g}")
        return self


class Outer(BaseModel):
    model_config = ConfigDict(extra="forbid")

    pair: Pair | None = None
    several: tuple[Pair, ...] = ()


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ({"low_m": -1}, "f: t.low_m: found -1; expected a number in metres, at least 0"),
        ({"high_m": 10}, "f: t.high_m: found 10"),
        ({"high_m": 1000}, "which looks like millimetres"),
        ({"low_m": 5}, "f: t.low_m: found 5; expected no more than high_m = 1"),
        ({"kind": "c"}, 'f: t.kind: found "c"; expected one of "a", "b"'),
        ({"count": 9}, "f: t.count: found 9; expected a whole number from 1 to 5"),
        ({"count": 1.5}, "f: t.count: found 1.5; expected a whole number"),
        ({"words": 3}, "f: t.words: found 3; expected a list of texts"),
        ({"words": [3]}, "f: t.words[0]: found 3; expected a text"),
        ({"low_m": "1"}, 'f: t.low_m: found "1"; expected a number in metres, at least 0'),
        ({"count": True}, "f: t.count: found true; expected a whole number"),
        ({"file": 3}, "f: t.file: found 3; expected a path or a list of paths"),
        ({"file": ["a", 3]}, "f: t.file"),
        ({"on": "perhaps"}, 'f: t.on: found "perhaps"; expected true or false'),
    ],
)
def test_found_and_expected_in_words(data: dict[str, Any], told: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_model(Pair, data, "f", under="t")
    assert told in str(caught.value)


def test_places_inside_tables_and_lists_of_tables_are_named() -> None:
    with pytest.raises(ConfigError, match=r"^f: pair\.kind: "):
        parse_model(Outer, {"pair": {"kind": "z"}}, "f")
    with pytest.raises(ConfigError, match=r"^f: several\[1\]\.low_m: found 3; expected no more"):
        parse_model(Outer, {"several": [{}, {"low_m": 3}]}, "f")


def test_an_unknown_key_knows_the_nearest_and_comes_before_what_it_explains() -> None:
    with pytest.raises(UnknownKeyError) as caught:
        parse_model(Outer, {"pair": {"hihg_m": 2, "low_m": "x"}}, "f", under="top")
    error = caught.value
    assert str(error) == 'f: top.pair.hihg_m: unknown key; did you mean "high_m"?'
    assert (error.key, error.found, error.expected) == ("top.pair.hihg_m", "an unknown key", '"high_m"')
