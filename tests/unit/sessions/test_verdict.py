"""Several sessions judged at once, and replays that are not those of their session."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest
import tomlkit

from tipdatum.cli import main
from tipdatum.errors import InputError
from tipdatum.sessions.verdict import parse_limits
from tipdatum.shipped import shipped
from tipdatum.tables import rows_of
from tipdatum_drivers.session_file import SessionFile

SLOPE, TRENCH = (shipped("replay_data", f"{name}.ndjson.gz") for name in ("slope", "trench"))
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables as a wide terminal shows them: names are not folded."""
    monkeypatch.setenv("COLUMNS", "200")


@pytest.fixture(scope="module")
def tips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the tip messages of two digs, made beside a session that is not there."""
    folder = tmp_path_factory.mktemp("tips")
    with pytest.raises(SystemExit) as ended:
        main(["replay", str(SLOPE), "gone.ndjson", str(TRENCH), "--output-dir", str(folder)])
    assert ended.value.code == 2, "the missing one is told"
    assert sorted(path.name for path in folder.iterdir()) == ["slope.tip.ndjson", "trench.tip.ndjson"]
    return folder


@pytest.fixture
def scored(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main(["score", *map(str, arguments)])
        told = capsys.readouterr()
        return int(ended.value.code or 0), told.out, told.err

    return run


def test_the_first_line_says_where_the_messages_come_from(tips: Path) -> None:
    first, second = (tips / "slope.tip.ndjson").read_text().splitlines()[:2]
    origin = json.loads(first)["origin"]
    assert origin["machine"] == "Fourteen-tonne demo machine, slope"
    assert set(origin) == {"started", "digest", "machine", "estimator", "build"}
    assert "origin" not in json.loads(second)


def test_messages_of_another_session_are_refused_unless_that_is_wanted(tips: Path, scored: Run) -> None:
    code, _, told = scored(SLOPE, tips / "trench.tip.ndjson")
    assert code == 2
    assert "messages of another session" in told
    assert scored(SLOPE, tips / "trench.tip.ndjson", "--any-session")[0] == 0


def test_a_session_replayed_with_a_later_machine_or_other_commands_is_still_that_session(
    tmp_path: Path, scored: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    later, orders = tmp_path / "later.toml", tmp_path / "orders.txt"
    machine = SessionFile(SLOPE).header.machine
    later.write_text(tomlkit.dumps({**machine, "name": "Measured again"}))
    orders.write_text("20 target/level elevation_m=0\n")
    for options in (("--machine", later), ("--commands", orders)):
        with pytest.raises(SystemExit):
            main(["replay", str(SLOPE), *map(str, options), "-o", str(tmp_path / "tip.ndjson")])
        told = capsys.readouterr().err
        assert told.startswith(f"{SLOPE}: "), "the recording's own name, not that of a copy"
        assert scored(SLOPE, tmp_path / "tip.ndjson")[0] == 0


def test_several_sessions_are_one_table_in_every_form(tips: Path, scored: Run) -> None:
    code, shown, _ = scored(SLOPE, TRENCH, tips)
    assert code == 0
    assert "slope.ndjson.gz" in shown
    rows = rows_of(scored(SLOPE, TRENCH, tips, "--csv")[1])
    plain = json.loads(scored(SLOPE, TRENCH, tips, "--json")[1])
    assert [row["session"] for row in rows] == [one["session"] for one in plain]
    for row, one in zip(rows, plain, strict=True):
        assert row["moving_rms_m"] == pytest.approx(one["moving"]["rms_m"], abs=1e-6)


def test_a_limit_that_is_not_kept_ends_with_1_and_stands_in_the_build_servers_file(
    tips: Path, scored: Run, tmp_path: Path
) -> None:
    junit = tmp_path / "junit.xml"
    assert scored(SLOPE, TRENCH, tips, "--limit", "moving=1")[0] == 0
    code, _, told = scored(SLOPE, TRENCH, tips, "--limit", "moving=1e-6", "--junit", junit)
    assert code == 1
    assert "slope.ndjson.gz: over the limit: moving" in told
    suite = ElementTree.parse(junit).getroot()
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("2", "2", "0")


def test_a_missing_file_does_not_hide_the_scores_of_the_others(tips: Path, scored: Run) -> None:
    code, shown, told = scored(SLOPE, "gone.ndjson", TRENCH, tips)
    assert code == 2
    assert "slope.ndjson.gz" in shown
    assert "trench.ndjson.gz" in shown
    assert "gone.ndjson" in told


@pytest.mark.parametrize("text", ["moving", "moving=much", "mvoing=0.1", "moving.p99=0.1"])
def test_a_limit_that_is_none_is_named(text: str) -> None:
    with pytest.raises(InputError, match=text.partition("=")[0]):
        parse_limits([text])
