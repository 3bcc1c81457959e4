"""The report's drawings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeAlias

import numpy as np

from tipdatum.display.report import figures, ground
from tipdatum.display.report.run import Run
from tipdatum.display.report.words import Words
from tipdatum.grade.as_dug import GroundLine
from tipdatum.svg import INK, LINES, QUIET, Chart

TARGET = "#00508c"
STATES = {"waiting": "url(#dots)", "stale": "url(#fall)", "fault": INK}
"""Fill of a sensor's state in the strip; "ok" stays empty."""
QUALITIES = {"moving": "#ffffff", "settling": "url(#dots)", "stale": "url(#fall)", "invalid": INK}
HALF_LINE_DEG = ground.LINE_DEG / 2


Draw: TypeAlias = Callable[[Words], str]


def sections(runs: Sequence[Run]) -> list[tuple[GroundLine, Draw]]:
    """The ground as dug and the target along each line of each set-up, true to scale, to be drawn."""
    first, *others = [ground.profiles(run) for run in runs]
    drawn: list[tuple[GroundLine, Draw]] = []
    for one in first:
        beside = [next((p for p in profiles if _same_line(p, one)), None) for profiles in others]
        drawn.append((one, partial(_section, runs, [one, *beside])))
    return drawn


def _same_line(one: GroundLine, other: GroundLine) -> bool:
    if one.setup != other.setup:
        return False
    if one.slew_deg is None or other.slew_deg is None:
        return True
    return abs(one.slew_deg - other.slew_deg) <= HALF_LINE_DEG


def _section(runs: Sequence[Run], lines: Sequence[GroundLine | None], words: Words) -> str:
    shown = [one for one in lines if one is not None]
    k = 1 / words.units.per_long
    reach = np.concatenate([one.reach for one in shown]) * k
    heights = np.concatenate([np.concatenate([one.lowest, one.target]) for one in shown]) * k
    margin = 0.15 * k
    chart = words.chart(
        words("report.chart.section", setup=shown[0].setup),
        (float(reach.min()) - margin, float(reach.max()) + margin),
        (float(np.nanmin(heights)) - margin, float(np.nanmax(heights)) + margin),
        words("report.axis.reach", unit=words.units.long),
        words("axis.elevation", unit=words.units.long),
        height=190,
        true_scale=True,
    )
    x, target = shown[0].reach * k, shown[0].target * k
    band = figures.tolerance_of(runs[0])
    if np.isfinite(target).any():
        if band:
            edges = (target - band[1] * k, target + band[0] * k)
            chart.band(x, *edges, "url(#rise)", name=words("report.legend.tolerance"))
        chart.line(x, target, TARGET, "14 3 3 3", 1.4, words("report.legend.target"))
    for run, one, (colour, dashes) in zip(runs, lines, LINES, strict=False):
        if one is not None:
            name = run.name if len(runs) > 1 else words("section.ground")
            chart.line(one.reach * k, one.lowest * k, colour, dashes, 2.4, name)
    for i, stretch in enumerate(s for s in ground.over_dug([shown[0]], band)):
        if i < 4:
            bottom = float(one_at(shown[0], stretch.at)) * k
            text = words.small(stretch.deepest)
            chart.words(text, chart.px(stretch.at * k), chart.py(bottom) + 14, anchor="middle")
    for point in runs[0].points:
        if point["setup"] == shown[0].setup:
            name = "" if point["automatic"] else f"{point['number']} {point['code']}".strip()
            chart.cross(point["reach_m"] * k, point["elevation_m"] * k, name)
    return chart.svg()


def ditch(run: Run, words: Words) -> str | None:
    """The ditch in section, along its line with the left side on the left: design and what the edge cut."""
    found, target = ground.ditch_section(run), figures.ditch_of(run)
    if found is None or target is None:
        return None
    k = 1 / words.units.per_long
    offset, height = found[0] * k, found[1] * k
    half, side = target["bottom_m"] / 2.0, target.get("side_m") or max(float(found[1].max()), 0.5)
    left, right = half + side / target["batter_left"], half + side / target["batter_right"]
    design = np.array([[-left, side], [-half, 0.0], [half, 0.0], [right, side]]) * k
    low, high = min(0.0, float(height.min())), max(float(height.max()), side * k)
    margin = 0.15 * k
    chart = words.chart(
        words("report.chart.ditch"),
        (min(-float(offset.max()), design[0, 0]) - margin, max(-float(offset.min()), design[3, 0]) + margin),
        (low - margin, high + margin),
        words("report.axis.offset", unit=words.units.long),
        words("report.axis.above-bottom", unit=words.units.long),
        height=250,
        true_scale=True,
    )
    chart.line(design[:, 0], design[:, 1], TARGET, "14 3 3 3", 1.4, words("report.legend.target"))
    chart.line(-offset[::-1], height[::-1], *LINES[0], 2.4, words("section.ground"))
    return chart.svg()


def one_at(profile: GroundLine, reach: float) -> float:
    """The ground at a reach of the profile, m."""
    return float(profile.lowest[int(np.argmin(np.abs(profile.reach - reach)))])


def deviations(runs: Sequence[Run], words: Words) -> str | None:
    """Histogram of the ground's deviation from the target, over all places."""
    found = []
    for run in runs:
        lines = ground.profiles(run)
        found.append(np.concatenate([one.floor for one in lines]) if lines else np.empty(0))
    known = [deviation for deviation in found if len(deviation)]
    if not known:
        return None
    width = words.units.bin_m
    most = max(float(np.abs(deviation).max()) for deviation in known)
    half = (int(most / width) + 1) * width
    edges = np.linspace(-half, half, 2 * round(half / width) + 1)
    shares = [np.histogram(d, edges)[0] / max(1, len(d)) for d in found]
    top = 108 * max(float(share.max()) for share in shares)
    k = 1 / words.units.per_short
    chart = words.chart(
        words("report.chart.histogram"),
        (-half * k, half * k),
        (0, top),
        words("report.axis.deviation", unit=words.units.short),
        words("report.axis.share"),
        height=210,
    )
    band = figures.tolerance_of(runs[0])
    if band:
        ends = np.array([-band[1], band[0]]) * k
        chart.band(ends, np.zeros(2), np.full(2, top), "url(#rise)", 0.6, words("report.legend.tolerance"))
    chart.rule(0, vertical=True, colour=TARGET, dashes="14 3 3 3")
    for run, share, (colour, dashes) in zip(runs, shares, LINES, strict=False):
        chart.bars(edges * k, share * 100, colour, dashes, run.name if len(runs) > 1 else "")
    return chart.svg()


def elevations(runs: Sequence[Run], words: Words) -> str | None:
    """The tip's elevation over time, with two sigma each way and the moments of the reference."""
    known = [run for run in runs if np.isfinite(run.elevation).any()]
    if not known:
        return None
    k = 1 / words.units.per_long
    low = min(float(np.nanmin(run.elevation)) for run in known) * k
    high = max(float(np.nanmax(run.elevation)) for run in known) * k
    label = words("axis.elevation", unit=words.units.long)
    chart = _over_time(runs, words("report.chart.elevation"), (low, high), label, 220, words)
    for run, (colour, dashes) in zip(runs, LINES, strict=False):
        band = ((run.elevation - 2 * run.sigma) * k, (run.elevation + 2 * run.sigma) * k)
        chart.band(run.t, *band, colour, 0.25)
        name = run.name if len(runs) > 1 else words("report.legend.tip")
        chart.line(run.t, run.elevation * k, colour, dashes, 1.2, name)
    chart.line(runs[0].t, runs[0].target * k, TARGET, "14 3 3 3", 1.2, words("report.legend.target"))
    for i, begin in enumerate(ground.setup_starts(runs[0])):
        chart.rule(begin, vertical=True, colour=QUIET, dashes="2 3", text=f"{i + 1}")
    return chart.svg()


def errors(runs: Sequence[Run], words: Words) -> str | None:
    """Error against the truth over time; the band is two sigma as it was published."""
    known = [run for run in runs if run.error is not None and np.isfinite(run.error).any()]
    if not known:
        return None
    k = 1 / words.units.per_short
    sizes = np.concatenate(
        [np.abs(run.error[np.isfinite(run.error)]) for run in known if run.error is not None]
    )
    limit = max(1.1 * float(np.percentile(sizes, 99.5)), 0.005) * k
    label = words("report.axis.error", unit=words.units.short)
    chart = _over_time(known, words("report.chart.error"), (-limit, limit), label, 200, words)
    for run, (colour, dashes) in zip(runs, LINES, strict=False):
        if run.error is None:
            continue
        if run is known[0]:
            name = words("report.legend.two-sigma")
            chart.band(run.t, -2 * run.sigma * k, 2 * run.sigma * k, "#8a8f86", 0.3, name)
        name = run.name if len(runs) > 1 else words("report.legend.error")
        chart.line(run.t, run.error * k, colour, dashes, 1.1, name)
    chart.rule(0, vertical=False, colour=INK)
    return chart.svg()


def qualities(runs: Sequence[Run], words: Words) -> str:
    """Which quality the figures had, and when the reference was missing or in doubt."""
    names, rows = [], []
    for run in runs:
        prefix = f"{run.name}: " if len(runs) > 1 else ""
        names += [prefix + words("report.strip.figures"), prefix + words("report.strip.reference")]
        rows.append(
            [(a, b, QUALITIES[w]) for a, b, w in figures.stretches(run.quality, run.t) if w in QUALITIES]
        )
        doubts = {"none": "url(#dots)", "doubtful": "url(#fall)"}
        rows.append([(a, b, doubts[w]) for a, b, w in figures.stretches(run.datum, run.t) if w in doubts])
    chart = _strips(runs, words("report.chart.quality"), rows, names, words)
    for key, fill in (
        ("moving", "#ffffff"), ("settling", "url(#dots)"), ("silent", "url(#fall)"), ("invalid", INK)
    ):  # fmt: skip
        chart.note(words(f"report.strip.{key}"), fill)
    return chart.svg(names[::-1])


def sensors(run: Run, words: Words) -> str | None:
    """When each sensor was not well."""
    if not run.health:
        return None
    end = float(run.t[-1]) if len(run.t) else 0.0
    rows = []
    for messages in run.health.values():
        ends = [m["t"] for m in messages[1:]] + [end]
        rows.append(
            [
                (m["t"], e, STATES[m["state"]])
                for m, e in zip(messages, ends, strict=True)
                if m["state"] in STATES
            ]
        )
    chart = _strips([run], words("report.chart.sensors"), rows, list(run.health), words)
    for state, fill in STATES.items():
        chart.note(words(f"sensors.state.{state}"), fill)
    return chart.svg(list(run.health)[::-1])


def _over_time(
    runs: Sequence[Run], title: str, y: tuple[float, float], y_label: str, height: float, words: Words
) -> Chart:
    margin = max(0.04 * (y[1] - y[0]), 1e-3)
    span = (y[0] - margin, y[1] + margin)
    return words.chart(title, _span(runs), span, words("report.axis.time"), y_label, height=height)


def _strips(
    runs: Sequence[Run],
    title: str,
    rows: list[list[tuple[float, float, str]]],
    names: list[str],
    words: Words,
) -> Chart:
    left = 16 + 6.4 * max(map(len, names))
    y = (-0.6, len(rows) - 0.4)
    height = 62 + 22 * len(rows)
    chart = words.chart(title, _span(runs), y, words("report.axis.time"), "", height=height, left=left)
    for i, row in enumerate(reversed(rows)):
        chart.strip(i, row)
    return chart


def _span(runs: Sequence[Run]) -> tuple[float, float]:
    begin = min(float(run.t[0]) for run in runs if len(run.t))
    end = max(float(run.t[-1]) for run in runs if len(run.t))
    return begin, max(end, begin + 1.0)
