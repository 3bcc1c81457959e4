"""The report's tables: each is one title, a head and rows of text, written as HTML or as CSV."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from tipdatum.display.report import figures
from tipdatum.display.report.run import Run
from tipdatum.display.report.units import METRIC, Units

IN_WORDS = {
    "good": "good",
    "moving": "moving",
    "settling": "settling",
    "stale": "silent sensor",
    "invalid": "invalid",
}
DATUM_EVENTS = ("datum", "reference", "doubt", "travel", "bucket")
"""Words in the kind of an event that belongs to the history of the reference."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table of text. `key` names its CSV file; a narrow one keeps names and figures close together."""

    key: str
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    narrow: bool = False

    def html(self) -> str:
        """The table as HTML; the first column names its row."""
        head = "".join(
            f'<th scope="col"{self._side(i)}>{escape(text)}</th>' for i, text in enumerate(self.head)
        )
        body = "".join(
            "<tr>"
            + "".join(
                f'<th scope="row">{escape(text)}</th>'
                if i == 0
                else f"<td{self._side(i)}>{escape(text)}</td>"
                for i, text in enumerate(row)
            )
            + "</tr>"
            for row in self.rows
        )
        kind = ' class="narrow"' if self.narrow else ""
        return (
            f"<table{kind}><caption>{escape(self.title)}</caption>"
            f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        )

    def csv(self) -> str:
        """The table as CSV with a head line; minus signs as a program reads them."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.head)
        writer.writerows([[text.replace("−", "-") for text in row] for row in self.rows])
        return out.getvalue()

    def _side(self, column: int) -> str:
        return ' class="number"' if column in self.numbers else ""


def about(runs: list[Run]) -> Table:
    """What was run."""
    rows = [
        ("Session", *(run.session for run in runs)),
        ("Recorded", *(run.started for run in runs)),
        ("Machine", *(str(run.machine.get("name", "")) for run in runs)),
        ("Estimator", *(run.estimator for run in runs)),
        ("Length", *(f"{run.duration_s:.0f} s, {len(run.t)} messages" for run in runs)),
        ("Remark", *(run.comment for run in runs)),
    ]
    return _beside("about", "What was looked at", runs, [r for r in rows if any(r[1:])], numeric=False)


def statistics(runs: list[Run], units: Units) -> Table:
    """Deviation while the bucket followed the target."""
    found = [figures.follow(run) for run in runs]

    def row(name: str, read: str, *, share: bool = False) -> tuple[str, ...]:
        cells = []
        for one in found:
            value = None if one is None else getattr(one, read)
            cells.append(_share(value) if share else units.small(value, sign=True))
        return (name, *cells)

    rows = [
        ("Time at the target", *("–" if f is None else f"{f.seconds:.0f} s" for f in found)),
        row("Mean deviation", "mean"),
        ("Standard deviation", *(units.small(None if f is None else f.sd) for f in found)),
        row("5 % lie below", "p05"),
        row("Median", "median"),
        row("95 % lie below", "p95"),
        row("Deepest", "lowest"),
        row("Highest", "highest"),
        row("Within tolerance", "within", share=True),
        row("Above tolerance", "above", share=True),
        row("Below tolerance", "below", share=True),
    ]
    if all(f is None or f.within is None for f in found):
        rows = rows[:-3]
    return _beside("deviation", "Deviation from the target", runs, rows)


def stillness(runs: list[Run], units: Units) -> Table:
    """Noise, timing and how much of the time each quality applied."""
    noises = [figures.noise(run) for run in runs]
    times = [figures.timing(run) for run in runs]
    fine = Units("m", 1, 3, units.short, units.per_short, 1 if units is METRIC else 3, units.bin_m)
    rows: list[tuple[str, ...]] = [
        ("Scatter while the tip stood", *("–" if n is None else fine.small(n[0]) for n in noises)),
        ("… over", *("–" if n is None else f"{n[1]:.0f} s" for n in noises)),
        (
            "Message interval, median",
            *("–" if x is None else f"{x.interval_median * 1000:.1f} ms" for x in times),
        ),
        (
            "Message interval, longest",
            *("–" if x is None else f"{x.interval_longest * 1000:.1f} ms" for x in times),
        ),
        (
            "Newest reading behind, 99 %",
            *("–" if x is None else f"{x.behind_p99 * 1000:.1f} ms" for x in times),
        ),
        ("Without a figure", *("–" if x is None else _share(x.without_figure) for x in times)),
    ]
    counts = [Counter(run.quality) for run in runs]
    for word, name in IN_WORDS.items():
        if any(c[word] for c in counts):
            shares = (_share(c[word] / max(1, len(run.t))) for c, run in zip(counts, runs, strict=True))
            rows.append((f"Quality: {name}", *shares))
    return _beside("noise", "Noise, timing and quality", runs, rows)


def score(runs: list[Run]) -> Table | None:
    """Against the truth of the session, where it has one."""
    if not any(run.score for run in runs):
        return None
    names = list(dict.fromkeys(name for run in runs for name, _ in run.score))
    rows = [(name, *(dict(run.score).get(name, "–") for run in runs)) for name in names]
    return _beside("score", "Against the truth", runs, rows)


def level_book(run: Run, units: Units) -> Table | None:
    """Set-ups and carry-overs as a surveyor books them."""
    rows = run.book
    if not rows:
        return None
    return Table(
        "level-book",
        f"Level book ({units.long})",
        (
            "Set-up",
            "Point",
            "Kind",
            "Backsight",
            "Instrument",
            "Foresight",
            "Elevation",
            "Adjusted",
            "Remark",
        ),
        tuple(
            (
                str(row["setup"]),
                row["point"],
                row["kind"],
                *(
                    units.large(row.get(key), unit=False)
                    for key in ("backsight_m", "instrument_m", "foresight_m", "elevation_m", "adjusted_m")
                ),
                row.get("remark", ""),
            )
            for row in rows
        ),
        frozenset(range(3, 8)),
    )


def points(run: Run, units: Units) -> Table | None:
    """As-dug points."""
    rows = run.points
    if not rows:
        return None
    return Table(
        "points",
        f"As-dug points ({units.long}); what the machine measured, not a certified survey",
        ("Point", "Code", "Station", "Reach", "Left", "Elevation", "Sigma", "Time", "Note"),
        tuple(
            (
                str(row["number"]),
                str(row.get("code", "")),
                *(
                    units.large(row.get(key), unit=False)
                    for key in ("station_m", "reach_m", "lateral_m", "elevation_m", "sigma_m")
                ),
                str(row.get("time", "")),
                str(row.get("note", "")),
            )
            for row in rows
        ),
        frozenset(range(2, 7)),
    )


def history(run: Run) -> Table | None:
    """References, targets, doubts and refusals, in order."""
    entries: list[tuple[float, str, str]] = []
    for reply in run.replies:
        verdict = "" if reply["ok"] else "refused: "
        entries.append((reply["t"], reply["command"], verdict + reply["text"]))
    for event in run.events:
        if any(word in event["kind"] for word in DATUM_EVENTS):
            entries.append((event["t"], event["kind"], event["text"]))
    if not entries:
        return None
    entries.sort(key=lambda entry: entry[0])
    rows = tuple((f"{t:.1f} s", what, text) for t, what, text in entries)
    return Table("history", "References, targets and every doubt", ("Time", "What", "In words"), rows)


def health(run: Run) -> Table | None:
    """How each sensor did."""
    if not run.health:
        return None
    rows = []
    for sensor, messages in run.health.items():
        last = messages[-1]
        counted = ", ".join(f"{kind} {count}" for kind, count in last["faults"].items()) or "none"
        bad = sum(after["t"] - m["t"] for m, after in pairwise(messages) if m["state"] != "ok")
        rates = [m["rate_hz"] for m in messages if m["rate_hz"] is not None]
        rate = f"{sorted(rates)[len(rates) // 2]:.0f} Hz" if rates else "–"
        jitters = [m["jitter_s"] for m in messages if m.get("jitter_s") is not None]
        jitter = f"{1000 * max(jitters):.1f} ms" if jitters else "–"
        rows.append(
            (sensor, str(last["body"]), rate, jitter, f"{bad:.0f} s", counted, last.get("last_fault") or "")
        )
    return Table(
        "health",
        "Sensors",
        ("Sensor", "Body", "Readings", "Jitter, most", "Not well", "Counted faults", "Last fault"),
        tuple(rows),
        frozenset((2, 3, 4)),
    )


def profile(run: Run) -> Table | None:
    """The as-dug line, in metres, for a program."""
    rows = tuple(
        (f"{i + 1}", f"{r:.2f}", f"{low:.3f}", "" if target != target else f"{target:.3f}")
        for i, one in enumerate(figures.profiles(run))
        for r, low, target in zip(one.reach, one.lowest, one.target, strict=True)
    )
    head = ("set-up", "reach_m", "lowest_m", "target_m")
    return Table("profile", "As-dug profile", head, rows, frozenset((1, 2, 3))) if rows else None


def tip_csv(run: Run) -> Iterable[str]:
    """Every tip message as a line of CSV, in metres; empty for null."""
    yield "t,t_emit,elevation_m,reach_m,sigma_m,deviation_m,quality,datum\n"
    columns = (run.elevation, run.reach, run.sigma, run.deviation)
    for i, (t, t_emit) in enumerate(zip(run.t, run.t_emit, strict=True)):
        cells = ["" if c[i] != c[i] else f"{c[i]:.5f}" for c in columns]
        yield f"{t:.6f},{t_emit:.6f},{','.join(cells)},{run.quality[i]},{run.datum[i]}\n"


def _beside(
    key: str, title: str, runs: list[Run], rows: Iterable[tuple[str, ...]], *, numeric: bool = True
) -> Table:
    names = tuple(run.name for run in runs) if len(runs) > 1 else ("",)
    columns = frozenset(range(1, len(runs) + 1)) if numeric else frozenset[int]()
    return Table(key, title, ("", *names), tuple(rows), columns, narrow=numeric)


def _share(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.1f} %"
