"""The scorer finds the errors that were put in, and ties heights to elevations at the reference only."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.errors import InputError, SessionError
from tipdatum.sessions.scorer import Floats, MessageTrack, TruthTrack, score
from tipdatum.sessions.tracks import read_messages, read_truth

SET_AT, SET_TO = 2.0, 50.0


def height(t: Floats) -> Floats:
    """Stands until 3 s, then digs up and down by ±0.5 m every 4 s until 31 s, then stands again."""
    phase = np.clip(t - 3.0, 0.0, 28.0) * (2 * np.pi / 4.0)
    return np.asarray(1.2 + 0.5 * np.sin(phase))


def truth(*, quiet: bool = True, ground: float | None = None) -> TruthTrack:
    t = np.arange(0.0, 36.0, 0.02)
    tip = np.stack([np.full_like(t, 5.0), np.zeros_like(t), height(t)], axis=-1)
    still = (t <= 3.0) | (t > 31.0)
    heave = None if ground is None else tip + np.array([0, 0, 1.0]) * np.where(still, 0.0, ground)[:, None]
    return TruthTrack(t, tip, heave, still if quiet else None, ((SET_AT, SET_TO),))


def messages(error: float | Floats = 0.0, lag: float = 0.0, sigma: float = 0.01) -> MessageTrack:
    t = np.arange(0.013, 36.0, 0.02)
    elevation = height(t - lag) - 1.2 + SET_TO + error
    elevation[t < SET_AT] = np.nan
    return MessageTrack(t, elevation, np.full_like(t, sigma), ("good",) * len(t))


def test_perfect_messages_have_no_error() -> None:
    result = score(truth(), messages())
    # The truth is read between its own samples: ±0.2 mm of straight-line interpolation at this motion.
    assert result.moving.max_m == pytest.approx(0.0, abs=2e-4)
    assert result.slow.max_m == pytest.approx(0.0, abs=2e-4)
    assert result.lag_s == pytest.approx(0.0, abs=5e-4)
    assert result.moving.within_1_sigma == 1.0


def test_an_offset_after_the_reference_is_error_and_is_not_taken_away() -> None:
    result = score(truth(), messages(error=0.03))
    assert result.slow.rms_m == pytest.approx(0.03, abs=2e-4)
    assert result.slow.mean_m == pytest.approx(0.03, abs=2e-4)
    assert result.moving.rms_m == pytest.approx(0.03, abs=2e-4)
    assert result.moving.within_2_sigma == 0.0


@given(st.floats(0.0, 0.3))
def test_a_lag_is_found_and_counts_as_error_only_while_moving(lag: float) -> None:
    result = score(truth(), messages(lag=lag))
    assert result.lag_s == pytest.approx(lag, abs=2e-3)
    # A sine of amplitude A late by d is off by 2 A sin(ω d / 2) / √2 in the root mean square.
    expected = 2 * 0.5 * np.sin(np.pi / 2 * lag / 2) / np.sqrt(2)
    assert result.moving.rms_m == pytest.approx(expected, rel=0.05, abs=5e-4)


def test_noise_with_an_honest_sigma_lies_within_it_as_often_as_a_normal_distribution_says() -> None:
    """68.27 % and 95.45 % within one and two standard deviations (any statistics handbook)."""
    rng = np.random.default_rng(11)
    track = messages()
    noisy = messages(error=rng.normal(0.0, 0.01, len(track.t_emit)))
    result = score(truth(), noisy)
    assert result.moving.within_1_sigma == pytest.approx(0.6827, abs=0.035)
    assert result.moving.within_2_sigma == pytest.approx(0.9545, abs=0.02)
    assert result.static_noise_m == pytest.approx(0.01, rel=0.1)
    # 1.96 standard deviations hold 95 % of the sizes.
    assert result.moving.p95_m == pytest.approx(0.0196, rel=0.08)


def test_heave_shows_only_against_the_ground() -> None:
    result = score(truth(ground=0.04), messages())
    assert result.moving_ground is not None
    assert result.slow_ground is not None
    assert result.moving_ground.mean_m == pytest.approx(-0.04, abs=1e-3)
    assert result.slow_ground.rms_m == pytest.approx(0.0, abs=1e-3)
    assert result.moving.rms_m == pytest.approx(0.0, abs=2e-4)


def test_without_a_quiet_flag_the_tip_speed_decides_what_is_slow() -> None:
    told, guessed = score(truth(), messages()), score(truth(quiet=False), messages())
    # At the turning points of each stroke the tip is slow too, a few per cent of the time.
    assert told.slow.messages < guessed.slow.messages < told.slow.messages * 1.3


def test_a_second_reference_ties_elevations_anew() -> None:
    base = truth()
    twice = TruthTrack(base.t, base.tip, None, base.quiet, ((SET_AT, SET_TO), (33.0, 10.0)))
    track = messages()
    moved = np.where(track.t_emit >= 33.0, track.elevation - 40.0, track.elevation)
    result = score(twice, MessageTrack(track.t_emit, moved, track.sigma, track.quality))
    assert result.slow.max_m == pytest.approx(0.0, abs=2e-4)


def test_messages_without_a_figure_are_counted_but_not_scored() -> None:
    track = messages()
    gone = (track.t_emit > 10.0) & (track.t_emit < 12.0)
    elevation = np.where(gone, np.nan, track.elevation)
    quality = tuple("stale" if g else "good" for g in gone)
    result = score(truth(), MessageTrack(track.t_emit, elevation, track.sigma, quality))
    share = 2.0 / (36.0 - SET_AT)
    assert result.without_figure == pytest.approx(share, abs=0.002)
    assert result.quality == pytest.approx({"good": 1 - share, "stale": share}, abs=0.002)
    assert result.moving.max_m == pytest.approx(0.0, abs=2e-4)


def test_what_cannot_be_compared_is_refused_in_words() -> None:
    base = truth()
    never = TruthTrack(base.t, base.tip, None, None, ())
    with pytest.raises(InputError, match="no datum/set"):
        score(never, messages())
    early = messages()
    before = early.t_emit < SET_AT
    cut = MessageTrack(early.t_emit[before], early.elevation[before], early.sigma[before], ("good",) * 100)
    with pytest.raises(InputError, match="no message falls between"):
        score(base, cut)


def _line(**fields: Any) -> str:
    return json.dumps({"t_emit": 1.0, "elevation_m": None, "sigma_m": None, "quality": "good"} | fields)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (None, "no such file"),
        ("", "an empty file"),
        (_line() + "\n{oops\n", "line 2: found a line that is not JSON"),
        ('{"kind": "truth"}\n', "line 1: found another kind of line"),
        (_line(elevation_m="high") + "\n", "line 1: found another kind of line"),
        ("[]\n", "line 1: found another kind of line"),
    ],
)
def test_a_file_that_is_no_replay_is_told_by_line(tmp_path: Path, content: str | None, told: str) -> None:
    path = tmp_path / "out.ndjson"
    if content is not None:
        path.write_text(content)
    with pytest.raises(SessionError) as caught:
        read_messages(path)
    assert told in str(caught.value)
    assert str(path) in str(caught.value)


def test_truth_and_references_are_read_from_a_session(tmp_path: Path) -> None:
    path = tmp_path / "dig.ndjson.gz"
    lines = [
        {
            "kind": "session", "format": "tipdatum-session", "version": 1, "started": "2026-05-04T08:00:00Z",
            "machine": {}, "comment": "",
        },
        {"kind": "truth", "t": 0.0, "tip_m": [5, 0, 1], "tip_ground_m": [5, 0, 1.1], "quiet": True},
        {"kind": "command", "t": 0.01, "name": "datum/set", "body": {"elevation_m": 7}},
        {"kind": "command", "t": 0.01, "name": "datum/set", "body": {"elevation_m": "seven"}},
        {"kind": "command", "t": 0.015, "name": "datum/clear", "body": {}},
        {"kind": "truth", "t": 0.02, "tip_m": [5, 0, 1.5], "tip_ground_m": [5, 0, 1.6], "quiet": False},
    ]  # fmt: skip
    path.write_bytes(gzip.compress("".join(json.dumps(line) + "\n" for line in lines).encode()))
    track = read_truth(path)
    assert track.references == ((0.01, 7.0),)
    assert track.tip[:, 2].tolist() == [1.0, 1.5]
    assert track.ground is not None
    assert track.ground[:, 2].tolist() == [1.1, 1.6]
    assert track.quiet is not None
    assert track.quiet.tolist() == [True, False]


def test_a_session_without_truth_cannot_be_scored(tmp_path: Path) -> None:
    path = tmp_path / "dig.ndjson"
    header = {"kind": "session", "format": "tipdatum-session", "version": 1, "started": "x", "machine": {}}
    path.write_text(json.dumps(header) + "\n")
    with pytest.raises(SessionError, match="found no truth"):
        read_truth(path)
