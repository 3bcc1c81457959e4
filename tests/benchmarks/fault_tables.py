"""Results of the fault campaign by fault, as a table on the terminal and for the page of what is measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from fault_injection import Fault

LEAST_M, SIGMAS = 0.020, 3.0
"""What a harmful figure is off by more than."""
LONG_S = 1.0
"""Seconds of harmful figures from which a case is told by itself."""


@dataclass
class Result:
    """One case against the unspoilt run; seconds."""

    session: str
    fault: str
    sensor: str
    at: float
    harmful_s: float
    worst_m: float
    until_told_s: float | None
    """From the first harmful figure until null or named; None: never, or nothing was harmful."""
    named_s: float | None
    """From the fault until a sensor was named; None: never."""
    named: str
    right: bool | None
    counted: int
    recovered_s: float | None
    """From the fault's end until figures agreed; None: not within the window."""
    problems: list[str]


def summary(fault: Fault, rows: list[Result]) -> dict[str, Any]:
    """One line of the table."""
    told = [r.until_told_s for r in rows if r.until_told_s is not None]
    named = [r for r in rows if r.named_s is not None]
    back = [r.recovered_s for r in rows if r.recovered_s is not None]
    harmful = [r for r in rows if r.harmful_s > 0.0]
    return {
        "fault": fault.name,
        "cases": len(rows),
        "harmful": len(harmful),
        "harmful_s_worst": round(max((r.harmful_s for r in rows), default=0.0), 2),
        "harmful_s_mean": round(float(np.mean([r.harmful_s for r in rows])), 3) if rows else 0.0,
        "off_m_worst": round(max((r.worst_m for r in rows), default=0.0), 3),
        "told_s_median": round(float(np.median(told)), 2) if told else None,
        "told_s_worst": round(max(told), 2) if told else None,
        "never_told": sum(r.until_told_s is None for r in harmful),
        "named": len(named),
        "named_right": sum(bool(r.right) for r in named),
        "named_s_median": round(float(np.median([r.named_s for r in named if r.named_s is not None])), 2)
        if named
        else None,
        "counted": sum(r.counted > 0 for r in rows),
        "recovered_s_median": round(float(np.median(back)), 2) if back else None,
        "recovered_s_worst": round(max(back), 2) if back else None,
        "not_recovered": sum(r.recovered_s is None for r in rows),
        "internal_faults": sum(len(r.problems) for r in rows),
        "undetectable": fault.undetectable,
    }


COLUMNS = {
    "cases": "cases", "harmful": "harmful", "harmful_s_worst": "worst s", "harmful_s_mean": "mean s",
    "off_m_worst": "off m", "told_s_median": "told s", "told_s_worst": "worst", "never_told": "never",
    "named": "named", "named_right": "right", "named_s_median": "after s", "counted": "counted",
    "recovered_s_median": "back s", "recovered_s_worst": "worst", "not_recovered": "not",
}  # fmt: skip


def show(console: Console, title: str, lines: list[dict[str, Any]]) -> None:
    """A half's table."""
    table = Table("fault", *COLUMNS.values(), title=title)
    for line in lines:
        cells = ["-" if line[key] is None else str(line[key]) for key in COLUMNS]
        table.add_row(line["fault"], *cells, style="red" if line["harmful_s_worst"] > 1.0 else None)
    console.print(table)


def markdown(
    lines: dict[str, list[dict[str, Any]]],
    results: list[Result],
    alarms: dict[str, list[str]],
    sessions: int,
    hours: float,
) -> str:
    """The tables of the measured page, and each case that went wrong for more than a second."""
    parts = [
        f"Harmful: off by more than max({LEAST_M * 1000:.0f} mm, {SIGMAS:g} sigma), and good or moving; "
        "seconds of that, worst case and mean. Told: null or named, median and worst after the first such "
        "figure. Named, of these rightly, median after the fault began. Counted: cases with readings booked "
        "to the sensor as bad. Back: median and worst time from the fault's end until figures agree again, "
        "with those that took longer than ten seconds.",
        "",
    ]
    for half, rows in lines.items():
        if not rows:
            continue
        parts += [
            f"**Sessions {half}.**",
            "",
            "| fault | cases | harmful | worst s | mean s | off mm | told after s | named / right | after s "
            "| counted | back s |",
            "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
            *map(_row, rows),
            "",
        ]
    long = sorted((r for r in results if r.harmful_s > LONG_S), key=lambda r: -r.harmful_s)
    parts.append(
        f"Cases with more than {LONG_S:g} s of harmful figures: {len(long) or 'none'} of {len(results)}."
    )
    parts += [
        f"- {r.fault}, {r.sensor}, {r.session} at {r.at:g} s: {r.harmful_s:.1f} s, "
        f"{1000 * r.worst_m:.0f} mm; " + (r.named or "not named")
        for r in long
    ]
    silent = sum("no reading for more than" in one for told in alarms.values() for one in told)
    other = sum(map(len, alarms.values())) - silent
    parts += [
        "",
        f"Unspoilt: {sessions} sessions, {hours:.2f} h; {silent} silences, all of sessions that lose "
        f"packets on purpose, and {other} other faults or alarms.",
    ]
    return "\n".join(parts) + "\n"


def _row(row: dict[str, Any]) -> str:
    """A fault's line on the page."""
    told = _both(row["told_s_median"], row["told_s_worst"])
    told += f", never {row['never_told']}" if row["never_told"] else ""
    back = _both(row["recovered_s_median"], row["recovered_s_worst"])
    back += f" ({row['not_recovered']} longer)" if row["not_recovered"] else ""
    after = "–" if row["named_s_median"] is None else f"{row['named_s_median']:.1f}"
    return (
        f"| {row['fault']} | {row['cases']} | {row['harmful']} | {row['harmful_s_worst']:.1f} "
        f"| {row['harmful_s_mean']:.2f} | {1000 * row['off_m_worst']:.0f} | {told} "
        f"| {row['named']} / {row['named_right']} | {after} | {row['counted']} | {back} |"
    )


def _both(median: float | None, worst: float | None) -> str:
    """Median and worst of some times, s."""
    return "–" if median is None or worst is None else f"{median:.1f}, {worst:.1f}"
