"""Both ends of the edge and its fall against the truth, by errors that were put in."""

from __future__ import annotations

import gzip
import json
import math
from pathlib import Path

import numpy as np
import pytest

from tipdatum.sessions.scorer import Floats, MessageTrack, TruthTrack, score
from tipdatum.sessions.tracks import read_messages, read_truth

SET_TO = 50.0
HALF = 0.75
T = np.arange(0.0, 20.0, 0.02)
QUIET = T > 10.0


def fall(t: Floats) -> Floats:
    """Of the edge, rad: laid over by 20 degrees to either side."""
    return np.asarray(np.radians(20.0) * np.sin(t))


def truth() -> TruthTrack:
    tip = np.stack([5.0 + 0 * T, 0 * T, 1.0 + 0.1 * T], axis=-1)
    out = HALF * np.stack([0 * T, np.cos(fall(T)), np.sin(fall(T))], axis=-1)
    return TruthTrack(T, tip, None, QUIET, ((0.0, SET_TO),), {"left": tip + out, "right": tip - out})


def messages(left: float = 0.0, right: float = 0.0, sigma: float = 0.01) -> MessageTrack:
    middle, rise = SET_TO + 0.1 * T, HALF * np.sin(fall(T))
    same = np.full_like(T, sigma)
    corners = {
        "left": np.stack([middle + rise + left, same], axis=1),
        "right": np.stack([middle - rise + right, same], axis=1),
    }
    return MessageTrack(T, middle, same, ("good",) * len(T), corners)


def test_ends_that_are_right_have_no_error_although_the_tip_alone_touched() -> None:
    found = score(truth(), messages())
    for errors in (found.left_moving, found.left_slow, found.right_moving, found.right_slow):
        assert errors is not None
        assert errors.max_m == pytest.approx(0.0, abs=1e-6)
    assert found.cross_fall is not None
    assert found.cross_fall.max_deg == pytest.approx(0.0, abs=1e-6)


def test_each_end_s_error_is_its_own_and_both_make_the_fall_s() -> None:
    found = score(truth(), messages(left=0.015, right=-0.005))
    assert found.left_slow is not None
    assert found.right_slow is not None
    assert found.left_slow.mean_m == pytest.approx(0.015)
    assert found.right_slow.mean_m == pytest.approx(-0.005)
    assert (found.left_slow.within_1_sigma, found.left_slow.within_2_sigma) == (0.0, 1.0)
    # 20 mm more rise over 1.5 m of edge: at least 0.76 degrees, and 1/cos 20 degrees of that when laid over.
    least = math.degrees(0.02 / (2 * HALF))
    assert found.cross_fall is not None
    assert least <= found.cross_fall.rms_deg <= found.cross_fall.max_deg
    assert found.cross_fall.max_deg == pytest.approx(least / math.cos(math.radians(20.0)), rel=0.01)


def test_without_corners_on_either_side_nothing_is_said_of_them() -> None:
    bare = messages()
    found = score(truth(), MessageTrack(bare.t_emit, bare.elevation, bare.sigma, bare.quality))
    assert (found.left_moving, found.right_slow, found.cross_fall) == (None, None, None)


def test_corners_come_from_the_files_and_an_older_replay_has_none(tmp_path: Path) -> None:
    session = tmp_path / "s.ndjson.gz"
    head = {"kind": "session", "format": "tipdatum-session", "version": 1, "started": "", "machine": {}}
    row = {"kind": "truth", "tip_m": [5.0, 0.0, 1.0], "left_m": [5.0, 0.7, 1.1], "right_m": [5.0, -0.7, 0.9]}
    session.write_bytes(
        gzip.compress("\n".join(json.dumps(r) for r in (head, row | {"t": 0.0}, row | {"t": 1.0})).encode())
    )
    read = read_truth(session)
    assert read.corners["left"].tolist() == [[5.0, 0.7, 1.1]] * 2
    tips = tmp_path / "tips.ndjson"
    told = {"t_emit": 0.5, "elevation_m": 50.0, "sigma_m": 0.01, "quality": "good"}
    whole = told | {"left_m": 50.1, "right_m": 49.9, "left_sigma_m": 0.012, "right_sigma_m": None}
    tips.write_text(json.dumps(told) + "\n" + json.dumps(whole) + "\n")
    corners = read_messages(tips).corners
    assert np.isnan(corners["left"][0]).all()
    assert corners["left"][1].tolist() == [50.1, 0.012]
    assert corners["right"][1, 0] == 49.9
    assert np.isnan(corners["right"][1, 1])
