"""The observations file: what a person writes, what a program adds, and what is refused in words."""

from __future__ import annotations

import json
import string
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tipdatum.calibration.observations import Observation, ObservationBook
from tipdatum.calibration.observations_file import load_observations, save_observations
from tipdatum.errors import ConfigError

SLOPE: dict[str, Any] = {
    "id": "a", "method": "slopes", "kind": "slope", "of": "boom", "value": 25.6, "unit": "deg", "sigma": 0.05,
    "standing": "S", "file": "slopes.ndjson", "window": [2.0, 6.0],
}  # fmt: skip


def write(path: Path, *entries: dict[str, Any]) -> Path:
    path.write_text(json.dumps(list(entries)), encoding="utf-8")
    return path


def test_a_bare_json_list_is_a_book(tmp_path: Path) -> None:
    book = load_observations(write(tmp_path / "o.json", SLOPE))
    assert book.observation[0].place == ("slopes.ndjson", 2.0, 6.0)


def test_toml_and_json_of_the_same_content_have_the_same_digest(tmp_path: Path) -> None:
    book = load_observations(write(tmp_path / "o.json", SLOPE))
    save_observations(tmp_path / "o.toml", book)
    assert load_observations(tmp_path / "o.toml").digest() == book.digest()


def test_a_persons_comments_and_order_survive_a_program_that_adds(tmp_path: Path) -> None:
    path = tmp_path / "o.toml"
    path.write_text(
        '# rainy, level checked\nformat = "tipdatum-observations"\nversion = 1\n\n'
        "[[observation]]  # read twice\n"
        'sigma = 0.05\nkind = "slope"\nid = "a"\nof = "boom"\nvalue = 25.6\n'
        'unit = "deg"\nfile = "f"\nwindow = [1, 2]\n',
        encoding="utf-8",
    )
    book = load_observations(path)
    added = Observation.model_validate({**SLOPE, "id": "b"})
    save_observations(path, book.model_copy(update={"observation": (*book.observation, added)}))
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# rainy, level checked\n")
    assert "# read twice" in text
    assert text.index("sigma = 0.05") < text.index('kind = "slope"')
    assert [o.id for o in load_observations(path).observation] == ["a", "b"]


def test_an_observation_that_was_taken_out_leaves_the_file(tmp_path: Path) -> None:
    path = tmp_path / "o.toml"
    book = load_observations(write(tmp_path / "o.json", SLOPE, {**SLOPE, "id": "b"}))
    save_observations(path, book)
    save_observations(path, book.model_copy(update={"observation": book.observation[1:]}))
    assert [o.id for o in load_observations(path).observation] == ["b"]


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        ({"unit": "mm"}, 'observation "a".unit', "deg"),
        ({"of": "arm"}, 'observation "a".of', "boom, second_boom, stick, coupler, bucket"),
        ({"sigma": 0.0}, 'observation "a".sigma', "above 0"),
        ({"sigma": None}, 'observation "a".sigma', "1-sigma"),
        ({"window": [6.0, 2.0]}, 'observation "a".window', "end after start"),
        ({"window": None, "file": None}, 'observation "a".window', "the rest it belongs to"),
        ({"kind": "angle"}, 'observation "a".kind', "slope"),
        ({"valeu": 3}, 'observation "a".valeu', 'did you mean "value"'),
    ],
)
def test_a_wrong_entry_is_named_with_what_is_expected(
    tmp_path: Path, change: dict[str, Any], key: str, words: str
) -> None:
    with pytest.raises(ConfigError) as error:
        load_observations(write(tmp_path / "o.json", {**SLOPE, **change}))
    assert error.value.key == key
    assert words in str(error.value)


def test_an_id_used_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="each id once"):
        load_observations(write(tmp_path / "o.json", SLOPE, SLOPE))


@pytest.mark.parametrize(
    "text",
    [
        "[[observation]\n", '{"observation": [', "nonsense", "[" * 3000, "a = " + "[" * 3000,
        '{"a": ' + "9" * 5000 + "}", "a = " + "9" * 5000, "\ufeffversion = 1\n",
    ],
    ids=["table", "json", "word", "json brackets", "toml brackets", "json digits", "toml digits", "mark"],
)  # fmt: skip
def test_a_broken_file_is_a_clear_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "o.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"o\.toml"):
        load_observations(path)


def test_acceptance_and_unused_observations_never_enter_a_solution() -> None:
    entries = [SLOPE, {**SLOPE, "id": "b", "method": "acceptance"}, {**SLOPE, "id": "c", "use": False}]
    book = ObservationBook.model_validate({"observation": [*entries, {**SLOPE, "id": "d"}]})
    assert [o.id for o in book.solving(leave_out=["d"])] == ["a"]


names = st.text(string.ascii_letters + string.digits + "-_ äß°\"'", min_size=1, max_size=20)


@settings(max_examples=40, deadline=None)
@given(
    ids=st.lists(names, unique=True, max_size=5),
    value=st.floats(-1e6, 1e6),
    note=st.text(st.characters(exclude_categories=["C"]), max_size=30),
)
def test_a_book_comes_back_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory, ids: list[str], value: float, note: str
) -> None:
    entries = tuple(Observation.model_validate({**SLOPE, "id": i, "value": value, "note": note}) for i in ids)
    book = ObservationBook(observation=entries)
    path = tmp_path_factory.mktemp("book") / "o.toml"
    save_observations(path, book)
    assert load_observations(path) == book
