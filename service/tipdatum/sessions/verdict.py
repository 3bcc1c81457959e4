"""Scores of several sessions, the limits that they are held to, and how a build server reads them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from tipdatum.errors import InputError, SessionError
from tipdatum.sessions.scorer import Errors, Score, score
from tipdatum.sessions.tracks import read_messages, read_origin, read_truth
from tipdatum_drivers.session_file import SessionFile

KINDS: dict[str, Callable[[Score], Errors | None]] = {
    "moving": lambda s: s.moving,
    "slow": lambda s: s.slow,
    "moving-ground": lambda s: s.moving_ground,
    "slow-ground": lambda s: s.slow_ground,
    "left-moving": lambda s: s.left_moving,
    "left-slow": lambda s: s.left_slow,
    "right-moving": lambda s: s.right_moving,
    "right-slow": lambda s: s.right_slow,
}
PARTS: dict[str, Callable[[Errors], float | None]] = {
    "rms": lambda e: e.rms_m,
    "p95": lambda e: e.p95_m,
    "max": lambda e: e.max_m,
    "mean": lambda e: e.mean_m,
}
SINGLE: dict[str, Callable[[Score], float | None]] = {
    "noise": lambda s: s.static_noise_m,
    "lag": lambda s: s.lag_s,
    "cross-fall": lambda s: None if s.cross_fall is None else s.cross_fall.rms_deg,
    "without-figure": lambda s: s.without_figure,
}
NAMES = (*KINDS, *(f"{kind}.{part}" for kind in KINDS for part in PARTS), *SINGLE)


@dataclass(frozen=True, slots=True)
class JudgedSession:
    """One session: its score, and in words which limits it does not keep."""

    session: Path
    score: Score
    broken: tuple[str, ...] = ()


def parse_limits(texts: Sequence[str]) -> dict[str, float]:
    """Limits such as "moving=0.02" (m, RMS), "slow.p95=0.01", "lag=0.05" (s).

    Raises:
        InputError: one that makes no sense.
    """
    limits = {}
    for text in texts:
        name, _, value = text.partition("=")
        try:
            limits[name] = float(value)
        except ValueError:
            raise InputError(f"--limit {text}: expected a name and a number, such as moving=0.02") from None
        if name not in NAMES:
            raise InputError(f"--limit {text}: expected one of {', '.join(NAMES)}")
    return limits


def figure(result: Score, name: str) -> float | None:
    """The figure of that name, m, s, degrees or a share; a kind alone is its RMS."""
    if name in SINGLE:
        return SINGLE[name](result)
    kind, _, part = name.partition(".")
    errors = KINDS[kind](result)
    return None if errors is None else PARTS[part or "rms"](errors)


def judge(session: Path, tips: Path, limits: dict[str, float], *, any_session: bool = False) -> JudgedSession:
    """Score a replay of a session and hold it to limits.

    Raises:
        InputError: a file cannot be read; the tip messages are those of another session.
    """
    truth = read_truth(session)
    _same_session(session, tips, any_session=any_session)
    result = score(truth, read_messages(tips))
    broken = []
    for name, limit in limits.items():
        found = figure(result, name)
        if found is None:
            broken.append(f"{name}: no figure, limit {limit:g}")
        elif abs(found) > limit:
            broken.append(f"{name}: {found:.4g}, limit {limit:g}")
    return JudgedSession(session, result, tuple(broken))


def _same_session(session: Path, tips: Path, *, any_session: bool) -> None:
    origin = read_origin(tips)
    if origin is None or any_session:
        return
    file = SessionFile(session)
    if origin.digest != file.digest():
        found = f'messages of another session (of {origin.started}, machine "{origin.machine}")'
        expected = f"those of {Path(file.name).name}; --any-session compares all the same"
        raise SessionError(str(tips), 1, found, expected)


def row(judged: JudgedSession) -> dict[str, Any]:
    """One line of a table: every figure by its name and unit."""
    found: dict[str, Any] = {
        "session": judged.session.name,
        "messages": judged.score.messages,
        "scored": judged.score.scored,
    }
    for kind, take in KINDS.items():
        errors, key = take(judged.score), kind.replace("-", "_")
        for part, read in PARTS.items():
            found[f"{key}_{part}_m"] = None if errors is None else _rounded(read(errors))
        for share in ("within_1_sigma", "within_2_sigma"):
            found[f"{key}_{share}"] = None if errors is None else _rounded(getattr(errors, share))
    return found | {
        "static_noise_m": _rounded(judged.score.static_noise_m),
        "lag_s": _rounded(judged.score.lag_s),
        "cross_fall_rms_deg": _rounded(SINGLE["cross-fall"](judged.score)),
        "without_figure": _rounded(judged.score.without_figure),
        "kept": not judged.broken,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 6)


def junit(all_of_them: Sequence[JudgedSession], errors: Sequence[tuple[Path, str]]) -> str:
    """The verdict as JUnit XML: a test case a session."""
    suite = ElementTree.Element(
        "testsuite",
        name="tipdatum score",
        tests=str(len(all_of_them) + len(errors)),
        failures=str(sum(bool(one.broken) for one in all_of_them)),
        errors=str(len(errors)),
    )
    for one in all_of_them:
        case = ElementTree.SubElement(suite, "testcase", classname="tipdatum.score", name=one.session.name)
        if one.broken:
            ElementTree.SubElement(case, "failure", message="; ".join(one.broken))
    for session, text in errors:
        case = ElementTree.SubElement(suite, "testcase", classname="tipdatum.score", name=session.name)
        ElementTree.SubElement(case, "error", message=text)
    ElementTree.indent(suite)
    return ElementTree.tostring(suite, encoding="unicode", xml_declaration=True) + "\n"
