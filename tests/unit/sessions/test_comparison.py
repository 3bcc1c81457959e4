"""Two runs beside each other, on made-up tracks: difference and errors are known by how they were made."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from tipdatum.cli import main
from tipdatum.cli.compare import told_apart, verdict
from tipdatum.errors import InputError
from tipdatum.sessions.comparison import compare
from tipdatum.sessions.scorer import MessageTrack, TruthTrack
from tipdatum.shipped import shipped

T = np.arange(0.0, 20.0, 0.02)
RNG = np.random.default_rng(5)


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables as a wide terminal shows them: names are not folded."""
    monkeypatch.setenv("COLUMNS", "200")


def track(elevation: np.ndarray, sigma: float, t: np.ndarray = T) -> MessageTrack:
    return MessageTrack(t, elevation, np.full(len(t), sigma), ("good",) * len(t))


def test_a_difference_in_one_stretch_is_found_where_and_as_large_as_it_is() -> None:
    a = np.sin(T)
    b = a + np.where((T >= 5.0) & (T < 7.0), 0.05, 0.0)
    found, _ = compare(track(a, 0.005), track(b, 0.005))
    (stretch,) = found.stretches
    assert (stretch.begin_s, stretch.end_s) == pytest.approx((5.0, 6.98), abs=0.021)
    assert stretch.difference_m == pytest.approx(0.05)
    assert found.max_m == pytest.approx(0.05)
    assert found.mean_m == pytest.approx(0.05 * 0.1, rel=0.02)


def test_runs_of_other_ticks_are_read_at_each_others_moments_and_gaps_are_left_out() -> None:
    shifted = T[:-1] + 0.007
    keep = (shifted < 8.0) | (shifted > 9.0)
    found, tracks = compare(track(0.5 * T, 0.01), track(0.5 * shifted[keep], 0.01, shifted[keep]))
    assert found.max_m == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(tracks.b[(T > 8.03) & (T < 8.97)]).all()
    assert found.compared == pytest.approx(950, abs=5)


def test_the_truth_says_whose_sigma_is_right() -> None:
    """Errors of 10 mm: said to be 10 mm by one, 3 mm by the other (seeded, normal)."""
    z = np.sin(T)
    tip = np.stack([np.full_like(T, 5.0), np.zeros_like(T), z], axis=1)
    truth = TruthTrack(T, tip, None, None, ((0.0, float(z[0])),))
    runs = [track(z + RNG.normal(0.0, 0.01, len(T)), sigma) for sigma in (0.01, 0.003)]
    found, _ = compare(*runs, truth)
    assert found.against_truth is not None
    right, sure = found.against_truth
    assert right.normalised == pytest.approx(1.0, abs=0.1)
    assert right.within_1_sigma == pytest.approx(0.683, abs=0.05)
    assert (verdict(right), verdict(sure)) == ("right", "too small")


def test_runs_without_a_common_moment_are_refused() -> None:
    with pytest.raises(InputError, match="no moment"):
        compare(track(np.sin(T), 0.01), track(np.sin(T), 0.01, T + 100.0))


def test_runs_of_one_name_are_told_apart_by_their_folders() -> None:
    assert told_apart(Path("tips/x.ndjson"), Path("other/x.ndjson")) == ("tips/x.ndjson", "other/x.ndjson")
    assert told_apart(Path("x.ndjson"), Path("deep/y.ndjson")) == ("x.ndjson", "y.ndjson")
    assert told_apart(Path("x.ndjson"), Path("x.ndjson")) == ("x.ndjson", "x.ndjson")


def test_the_command_tells_draws_and_refuses_another_session(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(*arguments: object) -> int:
        with pytest.raises(SystemExit) as ended:
            main([*map(str, arguments)])
        return int(ended.value.code or 0)

    dig = shipped("replay_data", "slope.ndjson.gz")
    a, b, other = tmp_path / "a", tmp_path / "b", tmp_path / "other"
    assert run("replay", dig, "-o", a) == 0
    assert run("replay", dig, "-o", b, "--estimator", "complementary") == 0
    picture = tmp_path / "ab.svg"
    assert run("compare", a, b, "--session", dig, "--picture", picture) == 0
    shown = capsys.readouterr().out
    assert "B minus A" in shown
    assert "sigma is" in shown
    assert "A is a\nB is b\n" in shown
    drawn = ElementTree.fromstring(picture.read_text())
    assert len(drawn) == 2
    # The parts lie within the whole and not over each other, margins with their axes' words included.
    (first, second), (width, height) = drawn, (float(drawn.attrib[key]) for key in ("width", "height"))
    assert float(first.attrib["width"]) <= width
    assert float(first.attrib["height"]) <= float(second.attrib["y"])
    assert float(second.attrib["y"]) + float(second.attrib["height"]) <= height
    assert run("compare", a, b, "--json") == 0
    assert json.loads(capsys.readouterr().out)["compared"] > 700
    text = a.read_text()
    other.write_text(text.replace(json.loads(text.splitlines()[0])["origin"]["digest"], "0" * 16))
    assert run("compare", a, other) == 2
    assert "come from different sessions" in capsys.readouterr().err
