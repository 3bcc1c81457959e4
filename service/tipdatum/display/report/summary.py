"""Page one: what a foreman wants to know before he turns the page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from html import escape
from itertools import pairwise
from typing import Any

import numpy as np

from tipdatum.display.report import figures, ground
from tipdatum.display.report.run import Run
from tipdatum.display.report.words import Words
from tipdatum.machine.description import parse_machine
from tipdatum.machine.words import describe_calibration

PASSES_FROM = 0.95
"""Share of the places within the tolerance from which a dig passes, where nothing is over-dug."""
LOAD_DEG = 30.0
"""Slew between two strokes from which the first one counts as a load that was swung away, degrees."""
MOST_STRETCHES = 6
SHORTEST_GAP_S = 0.5
"""Shortest lack of figures that is told, s: a display takes the figure away after about as long."""
_UNIT = re.compile(r"(?<=[\d–]) (?=(?:mm|m|in|ft|%|s|min|h)\b|%)")


@dataclass(frozen=True, slots=True)
class ReportVerdict:
    """Pass, fail or neither, as a word of the catalogue (`report.verdict.…`) and the sentence under it."""

    word: str
    sentence: str


def verdict(run: Run, words: Words) -> ReportVerdict:
    """Whether the ground keeps the tolerance."""
    lines = ground.profiles(run)
    band = figures.tolerance_of(run)
    found = ground.against(lines, band)
    if found is None:
        return ReportVerdict("none", words("report.verdict.no-target"))
    median = words(
        "report.said.median", median=_side(found.median, words), length=words.number(found.length, 1)
    )
    if band is None or found.within is None:
        return ReportVerdict("none", f"{median} {words('report.verdict.no-tolerance')}")
    sigma = float(np.nanmedian(np.concatenate([one.sigma for one in lines])))
    within = words("report.said.within", share=words.share(found.within), band=_band(band, words))
    if 2 * sigma > (band[0] + band[1]) / 2:
        doubt = words("report.verdict.cannot-why", two_sigma=words.small(2 * sigma))
        return ReportVerdict("cannot", f"{median} {within} {doubt}")
    over = ground.over_dug(lines, band)
    passed = found.within >= PASSES_FROM and not over
    high = words("report.said.high", share=words.share(found.above)) if found.above else ""
    return ReportVerdict("pass" if passed else "fail", " ".join(filter(None, (median, within, high))))


def page_one(run: Run, words: Words) -> str:
    """Title block, verdict, over-dug stretches and what the figures are worth, as HTML."""
    found = verdict(run, words)
    rows = "".join(
        f"<dt>{escape(words(key))}</dt><dd>{escape(text)}</dd>" for key, text in _block(run, words) if text
    )
    word = escape(words(f"report.verdict.{found.word}"))
    return (
        f'<dl class="block">{rows}</dl>'
        f'<div class="verdict {found.word}"><p class="word">{word}</p><p>{together(found.sentence)}</p>'
        f"{_stretches(run, words)}</div>"
        + "".join(f"<p>{together(text)}</p>" for text in said(run, words))
        + f'<p class="caution">{escape(words("report.caution"))}</p>'
    )


def together(text: str) -> str:
    """Text as HTML in which no line breaks between a figure and its unit."""
    return _UNIT.sub("\u00a0", escape(text))


def said(run: Run, words: Words) -> list[str]:
    """The dig in a few sentences: what was moved, doubt and gaps, what the figures are worth."""
    return [text for text in (_moved(run, words), _doubts(run, words), _worth(run, words)) if text]


def _block(run: Run, words: Words) -> list[tuple[str, str]]:
    return [
        ("report.block.site", run.site or words("report.not-said")),
        ("report.block.operator", run.operator or words("report.not-said")),
        ("report.block.machine", _machine_words(run.machine)),
        ("report.block.time", _when(run, words)),
        ("report.block.reference", _reference(run, words)),
        ("report.block.checked", _checked(run, words)),
        ("report.block.target", _target(run, words)),
        ("report.block.remark", run.comment),
    ]


def _when(run: Run, words: Words) -> str:
    begin = words.local(run.started)
    if begin is None:
        return run.started
    end = begin + timedelta(seconds=float(run.t[-1]) if len(run.t) else 0.0)
    zone = begin.tzname() or ""
    return f"{begin:%Y-%m-%d}, {begin:%H:%M}–{end:%H:%M} ({zone}), {words.lasted(run.duration_s)}"


def _reference(run: Run, words: Words) -> str:
    references = [s["reference"] for s in run.states if s.get("reference")]
    if not references:
        return words("setup.none")
    last = references[-1]
    count = len({r.get("t") for r in references})
    how = words(f"report.how.{last.get('how', 'mark')}")
    mark = f"{words.say.mark(last['mark'])}, " if last.get("mark") else ""
    known = words.large(last["known_m"]) if last.get("known_m") is not None else ""
    times = words("report.set-times", n=count) if count > 1 else ""
    return ", ".join(
        filter(None, (f"{mark}{known}".strip(", "), how, words.clock(last.get("time", "")), times))
    )


def _checked(run: Run, words: Words) -> str:
    parts = []
    if check := run.last_state.get("checked"):
        passed = {True: "report.check.passed", False: "report.check.failed"}.get(check.get("passed"))
        mark = words.say.mark(check["mark"])
        off = words("report.check.off", mark=mark, off=words.small(check["off_m"], sign=True))
        parts += [off, words(passed) if passed else "", words.clock(check.get("time", ""))]
    if run.closed is not None:
        within = abs(run.closed["misclosure_m"]) <= run.closed["allowable_m"]
        parts.append(
            words(
                "report.closed.within" if within else "report.closed.beyond",
                misclosure=words.small(run.closed["misclosure_m"], sign=True),
                setups=run.closed["setups"],
                allowable=words.small(run.closed["allowable_m"]),
            )
        )
    return ", ".join(filter(None, parts)) or words("report.not-checked")


def _target(run: Run, words: Words) -> str:
    target = next((s["target"] for s in reversed(run.states) if s.get("target")), None)
    if target is None:
        return words("setup.no-target")
    kind = target.get("kind")
    if kind == "level" and "elevation_m" in target:
        text = words("target.level", elevation=words.large(target["elevation_m"]))
    elif kind == "grade" and "grade" in target:
        grade = f"{words.number(abs(100 * target['grade']), 2)} %"
        way = words("target.falling" if target["grade"] < 0 else "target.rising")
        text = words("target.grade", grade=grade, way=way)
        if cross := target.get("cross"):
            side = "left" if cross < 0 else "right"
            fall = f"{words.number(abs(100 * cross), 2)} %"
            text = words(f"target.falls-{side}", target=text, cross=fall)
    elif kind == "below plane" and "depth_m" in target:
        text = words("target.below-plane", depth=words.large(target["depth_m"]))
    elif kind == "ditch" and "bottom_m" in target:
        width, bottom = words.large(target["bottom_m"]), words.large(target["elevation_m"])
        text = words("target.ditch", width=width, elevation=bottom)
    else:
        text = words("target.profile") if kind == "profile" else str(kind)
    band = figures.tolerance_of(run)
    return f"{text}; {_band(band, words)}" if band else f"{text}; {words('report.no-tolerance')}"


def _band(band: tuple[float, float], words: Words) -> str:
    return words("setup.tolerance", above=words.units.small(band[0], unit=False), below=words.small(band[1]))


def _side(metres: float, words: Words) -> str:
    size = words.small(abs(metres))
    if not any(c in "123456789" for c in size):
        return words("report.said.on")
    return words("report.said.above" if metres > 0 else "report.said.below", size=size)


def _stretches(run: Run, words: Words) -> str:
    found = ground.over_dug(ground.profiles(run), figures.tolerance_of(run))
    if not found:
        return ""
    several = len({s.profile.setup for s in found}) > 1
    items = "".join(
        "<li>"
        + together(
            (words("report.setup", n=s.profile.setup) + ": " if several else "")
            + words(
                "report.over-dug.stretch",
                start=words.reach(s.start, unit=False),
                end=words.reach(s.end),
                deepest=words.small(s.deepest),
                at=words.reach(s.at),
            )
        )
        + "</li>"
        for s in found[:MOST_STRETCHES]
    )
    more = len(found) - MOST_STRETCHES
    rest = f"<li>{escape(words('report.over-dug.more', n=more))}</li>" if more > 0 else ""
    key = "report.over-dug.title" if figures.tolerance_of(run) else "report.over-dug.title-sigma"
    return f"<p><strong>{escape(words(key))}</strong></p><ul>{items}{rest}</ul>"


def _moved(run: Run, words: Words) -> str:
    strokes = ground.strokes(run)
    if not strokes:
        return words("report.moved.none")
    loads = 0
    for one, other in pairwise(strokes):
        slew = run.slew[one[1] - 1 : other[0]]
        loads += bool(np.isfinite(slew).any() and np.nanmax(slew) - np.nanmin(slew) > LOAD_DEG)
    cut = np.concatenate([np.arange(a, b) for a, b in strokes])
    deepest = int(cut[np.argmin(run.elevation[cut])])
    lean = run.lean[np.isfinite(run.lean).all(axis=1)]
    text = words(
        "report.moved.strokes",
        strokes=len(strokes),
        loads=loads,
        near=words.reach(float(run.reach[cut].min()), unit=False),
        far=words.reach(float(run.reach[cut].max())),
        lowest=words.large(float(run.elevation[deepest])),
        at=words.reach(float(run.reach[deepest])),
    )
    if len(lean):
        pitch, roll = np.median(lean, axis=0)
        spread = float(np.max(np.percentile(lean, 99, axis=0) - np.percentile(lean, 1, axis=0)))
        text += " " + words(
            "report.stood",
            pitch=words.number(abs(float(pitch)), 1),
            nose=words("report.nose-up" if pitch >= 0 else "report.nose-down"),
            roll=words.number(abs(float(roll)), 1),
            side=words("side.right" if roll >= 0 else "side.left"),
            spread=words.number(spread, 1),
        )
    return text


def _doubts(run: Run, words: Words) -> str:
    doubtful = sum(b - a for a, b, word in figures.stretches(run.datum, run.t) if word == "doubtful")
    found = figures.timing(run)
    begin = float(run.t[int(np.argmax(np.isfinite(run.elevation)))]) if len(run.t) else 0.0
    gaps = [
        b - a
        for a, b, word in figures.stretches(run.quality, run.t)
        if word in ("stale", "invalid") and a >= begin and b - a >= SHORTEST_GAP_S
    ]
    sentences = []
    if doubtful:
        sentences.append(words("report.doubt.some", time=words.lasted(doubtful)))
    if gaps:
        sentences.append(
            words(
                "report.gaps.some", n=len(gaps), time=words.lasted(sum(gaps)), longest=words.lasted(max(gaps))
            )
        )
    if not sentences and found is not None:
        sentences.append(words("report.doubt.none"))
    return " ".join(sentences)


def _worth(run: Run, words: Words) -> str:
    mask = ground.cutting(run) & np.isfinite(run.sigma)
    if not mask.any():
        return ""
    low, high = (2 * float(v) for v in np.percentile(run.sigma[mask], (50, 95)))
    return words("report.worth", usual=words.small(low), most=words.small(high))


def _machine_words(description: Mapping[str, Any]) -> str:
    """The machine's name, and what a calibration said of it."""
    name = str(description.get("name", ""))
    if not description.get("calibrated"):
        return name
    return f"{name}; {describe_calibration(parse_machine(description, 'machine of the session'))}"
