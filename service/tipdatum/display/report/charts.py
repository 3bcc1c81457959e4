"""The report's drawings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tipdatum.display.report import figures
from tipdatum.display.report.run import Floats, Run
from tipdatum.display.report.svg import INK, LINES, QUIET, Chart
from tipdatum.display.report.units import Units

TARGET = "#00508c"
STATES = {"waiting": "url(#dots)", "stale": "url(#fall)", "fault": INK}
"""Fill of a sensor's state in the strip; "ok" stays empty."""
QUALITIES = {"moving": "#ffffff", "settling": "url(#dots)", "stale": "url(#fall)", "invalid": INK}


def sections(runs: Sequence[Run], units: Units) -> list[tuple[int, str]]:
    """As-dug profile and target of each set-up, true to scale: (its number, drawing)."""
    lines = [figures.profiles(run) for run in runs]
    numbers = sorted({one.setup for profiles in lines for one in profiles})
    return [
        (number, _section(runs, [next((p for p in ps if p.setup == number), None) for ps in lines], units))
        for number in numbers
    ]


def _section(runs: Sequence[Run], lines: Sequence[figures.Profile | None], units: Units) -> str:
    shown = [one for one in lines if one is not None]
    k = 1 / units.per_long
    reach = np.concatenate([one.reach for one in shown]) * k
    heights = np.concatenate([np.concatenate([one.lowest, one.target]) for one in shown]) * k
    margin = 0.15 * k
    chart = Chart(
        f"As-dug profile of set-up {shown[0].setup} along the reach, with the target",
        (float(reach.min()) - margin, float(reach.max()) + margin),
        (float(np.nanmin(heights)) - margin, float(np.nanmax(heights)) + margin),
        f"Reach from the slew axis, {units.long}",
        f"Elevation, {units.long}",
        height=190,
        true_scale=True,
    )
    x, target = shown[0].reach * k, shown[0].target * k
    if band := figures.tolerance_of(runs[0]):
        chart.band(x, target - band[1] * k, target + band[0] * k, "url(#rise)", name="tolerance")
    chart.line(x, target, TARGET, "14 3 3 3", 1.4, "target")
    for run, one, (colour, dashes) in zip(runs, lines, LINES, strict=False):
        if one is not None:
            name = run.name if len(runs) > 1 else "as dug"
            chart.line(one.reach * k, one.lowest * k, colour, dashes, 2.4, name)
    for point in runs[0].points:
        if point["setup"] == shown[0].setup:
            name = "" if point["automatic"] else f"{point['number']} {point['code']}".strip()
            chart.cross(point["reach_m"] * k, point["elevation_m"] * k, name)
    return chart.svg()


def deviations(runs: Sequence[Run], units: Units) -> str | None:
    """Histogram of the deviation while the bucket followed the target."""
    found = [figures.histogram(run, units.bin_m) for run in runs]
    most = max((float(shares.max()) for _, shares in found), default=0.0)
    if most == 0:
        return None
    k = 1 / units.per_short
    limit = figures.FOLLOWING_M * k
    chart = Chart(
        "Histogram of the deviation from the target",
        (-limit, limit),
        (0, 108 * most),
        f"Deviation, {units.short}: below the target to the left, above it to the right",
        "Share of the time, %",
        height=210,
    )
    band = figures.tolerance_of(runs[0])
    if band:
        ends = np.array([-band[1], band[0]]) * k
        chart.band(ends, np.zeros(2), np.full(2, 108 * most), "url(#rise)", 0.6, "tolerance")
    chart.rule(0, vertical=True, colour=TARGET, dashes="14 3 3 3")
    for run, (edges, shares), (colour, dashes) in zip(runs, found, LINES, strict=False):
        chart.bars(edges * k, shares * 100, colour, dashes, run.name if len(runs) > 1 else "")
    return chart.svg()


def elevations(runs: Sequence[Run], units: Units) -> str | None:
    """The tip's elevation over time, with two sigma each way and the moments of the reference."""
    if not any(np.isfinite(run.elevation).any() for run in runs):
        return None
    k = 1 / units.per_long
    low = min(float(np.nanmin(run.elevation)) for run in runs if np.isfinite(run.elevation).any()) * k
    high = max(float(np.nanmax(run.elevation)) for run in runs if np.isfinite(run.elevation).any()) * k
    chart = _over_time(runs, "Elevation of the tip over time", (low, high), f"Elevation, {units.long}", 220)
    for run, (colour, dashes) in zip(runs, LINES, strict=False):
        chart.band(
            run.t, (run.elevation - 2 * run.sigma) * k, (run.elevation + 2 * run.sigma) * k, colour, 0.25
        )
        chart.line(run.t, run.elevation * k, colour, dashes, 1.2, run.name if len(runs) > 1 else "tip")
    target = _target_line(runs[0])
    chart.line(runs[0].t, target * k, TARGET, "14 3 3 3", 1.2, "target")
    for i, begin in enumerate(figures.setup_starts(runs[0])):
        chart.rule(begin, vertical=True, colour=QUIET, dashes="2 3", text=f"{i + 1}")
    return chart.svg()


def errors(runs: Sequence[Run], units: Units) -> str | None:
    """Error against the truth over time; the band is two sigma as it was published."""
    known = [run for run in runs if run.error is not None and np.isfinite(run.error).any()]
    if not known:
        return None
    k = 1 / units.per_short
    sizes = np.concatenate(
        [np.abs(run.error[np.isfinite(run.error)]) for run in known if run.error is not None]
    )
    limit = max(1.1 * float(np.percentile(sizes, 99.5)), 0.005) * k
    chart = _over_time(
        known, "Error of the elevation over time", (-limit, limit), f"Error, {units.short}", 200
    )
    for run, (colour, dashes) in zip(runs, LINES, strict=False):
        if run.error is None:
            continue
        if run is known[0]:
            chart.band(run.t, -2 * run.sigma * k, 2 * run.sigma * k, "#8a8f86", 0.3, "two sigma")
        chart.line(run.t, run.error * k, colour, dashes, 1.1, run.name if len(runs) > 1 else "error")
    chart.rule(0, vertical=False, colour=INK)
    return chart.svg()


def qualities(runs: Sequence[Run]) -> str:
    """Which quality the figures had, and when the reference was missing or in doubt."""
    names, rows = [], []
    for run in runs:
        prefix = f"{run.name}: " if len(runs) > 1 else ""
        names += [f"{prefix}figures", f"{prefix}reference"]
        rows.append(
            [(a, b, QUALITIES[w]) for a, b, w in figures.stretches(run.quality, run.t) if w in QUALITIES]
        )
        doubts = {"none": "url(#dots)", "doubtful": "url(#fall)"}
        rows.append([(a, b, doubts[w]) for a, b, w in figures.stretches(run.datum, run.t) if w in doubts])
    chart = _strips(runs, "Quality of the figures and state of the reference over time", rows, names)
    chart.note("moving", "#ffffff")
    chart.note("settling, no reference", "url(#dots)")
    chart.note("silent, doubtful", "url(#fall)")
    chart.note("invalid", INK)
    return chart.svg(names[::-1])


def sensors(run: Run) -> str | None:
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
    chart = _strips([run], "State of each sensor over time", rows, list(run.health))
    for state, fill in STATES.items():
        chart.note({"stale": "silent"}.get(state, state), fill)
    return chart.svg(list(run.health)[::-1])


def _target_line(run: Run) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.asarray(run.elevation - run.deviation)


def _over_time(runs: Sequence[Run], title: str, y: tuple[float, float], y_label: str, height: float) -> Chart:
    margin = max(0.04 * (y[1] - y[0]), 1e-3)
    return Chart(
        title, _span(runs), (y[0] - margin, y[1] + margin), "Session time, s", y_label, height=height
    )


def _strips(
    runs: Sequence[Run], title: str, rows: list[list[tuple[float, float, str]]], names: list[str]
) -> Chart:
    left = 16 + 6.4 * max(map(len, names))
    y = (-0.6, len(rows) - 0.4)
    chart = Chart(title, _span(runs), y, "Session time, s", "", height=62 + 22 * len(rows), left=left)
    for i, row in enumerate(reversed(rows)):
        chart.strip(i, row)
    return chart


def _span(runs: Sequence[Run]) -> tuple[float, float]:
    begin = min(float(run.t[0]) for run in runs if len(run.t))
    end = max(float(run.t[-1]) for run in runs if len(run.t))
    return begin, max(end, begin + 1.0)
