"""The report's tables: one title, a head and rows of text, as HTML or as plain numbers for a program."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from html import escape
from itertools import pairwise

from tipdatum.display.report import figures
from tipdatum.display.report.ground import against, profiles
from tipdatum.display.report.plain import plain
from tipdatum.display.report.run import Run
from tipdatum.display.report.words import Words

QUALITIES = ("good", "moving", "settling", "stale", "invalid")
DATUM_EVENTS = ("datum", "reference", "doubt", "travel", "bucket")
"""Words in the kind of an event that belongs to the history of the reference."""

MANY_COLUMNS, CARD_COLUMNS = 9, 10
"""Columns from which a table is set smaller, to stand on a sheet, and from which each row is a card."""


@dataclass(frozen=True, slots=True)
class ReportTable:
    """A table of text. `key` names its file; a narrow one keeps names and figures close together."""

    key: str
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    narrow: bool = False

    def html(self, *, captioned: bool = True) -> str:
        """The table as HTML; the first column names its row. No caption where a heading says the same."""
        head = "".join(
            f'<th scope="col"{self._side(i)}>{escape(text)}</th>' for i, text in enumerate(self.head)
        )
        body = "".join(
            "<tr>"
            + "".join(
                f'<th scope="row"{self._named(i)}>{escape(text)}</th>'
                if i == 0
                else f"<td{self._side(i)}{self._named(i)}>{escape(text)}</td>"
                for i, text in enumerate(row)
            )
            + "</tr>"
            for row in self.rows
        )
        kind = f' class="{name}"' if (name := self._kind()) else ""
        caption = f"<caption>{escape(self.title)}</caption>" if captioned else ""
        return f"<table{kind}>{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"

    def _kind(self) -> str:
        if self.narrow:
            return "narrow"
        if len(self.head) >= CARD_COLUMNS:
            return "cards"
        return "many" if len(self.head) >= MANY_COLUMNS else ""

    def plain(self) -> tuple[list[str], list[list[str]]]:
        """Head with units and rows for a program: plain numbers, nothing where nothing is known."""
        return plain(self.head, self.rows, self.numbers)

    def _named(self, column: int) -> str:
        """Its column's name on the cell, for a screen so narrow that a row becomes a card."""
        return "" if self.narrow else f' data-head="{escape(self.head[column])}"'

    def _side(self, column: int) -> str:
        return ' class="number"' if column in self.numbers else ""


def about(runs: list[Run], words: Words) -> ReportTable:
    """What was run."""
    rows = [
        ("session", *(run.session for run in runs)),
        ("recorded", *(run.started for run in runs)),
        ("machine", *(str(run.machine.get("name", "")) for run in runs)),
        ("estimator", *(run.estimator for run in runs)),
        (
            "length",
            *(words("report.about.messages", seconds=f"{r.duration_s:.0f}", n=len(r.t)) for r in runs),
        ),
        ("remark", *(run.comment for run in runs)),
    ]
    named = [(words(f"report.about.{row[0]}"), *row[1:]) for row in rows if any(row[1:])]
    return _beside("about", words("report.about"), runs, named, numeric=False)


def statistics(runs: list[Run], words: Words) -> ReportTable:
    """The ground against the target, over all places."""
    found = [against(profiles(run), figures.tolerance_of(run)) for run in runs]
    lengths = ("median", "mean", "sd", "p05", "p95", "lowest", "highest")
    shares = () if all(f is None or f.within is None for f in found) else ("within", "above", "below")
    rows: list[tuple[str, ...]] = [
        (
            words("report.ground.length"),
            *("–" if f is None else f"{words.number(f.length, 1)} m" for f in found),
        )
    ]
    for name in lengths:
        cells = (words.small(None if f is None else getattr(f, name), sign=name != "sd") for f in found)
        rows.append((words(f"report.ground.{name}"), *cells))
    for name in shares:
        cells = (words.share(None if f is None else getattr(f, name), 1) for f in found)
        rows.append((words(f"report.ground.{name}"), *cells))
    return _beside("deviation", words("report.ground"), runs, rows)


def edge(run: Run, words: Words) -> ReportTable | None:
    """What was dug with either end of the edge, and how the edge fell against the target."""
    found = figures.edge_dug(run)
    if found is None:
        return None
    rows = [
        (words(key), *(words.small(value, sign=True) for value in ends))
        for key, ends in (("edge.left-corner", found.left), ("edge.right-corner", found.right))
    ]
    if found.fall is not None:
        rows.append((words("report.edge.fall"), *(f"{words.number(value, 1)} %" for value in found.fall)))
    head = ("", *(words(f"report.ground.{name}") for name in ("p05", "median", "p95")))
    return ReportTable("edge", words("report.edge"), head, tuple(rows), frozenset({1, 2, 3}), narrow=True)


def stillness(runs: list[Run], words: Words) -> ReportTable:
    """Noise, timing and how much of the time each quality applied."""
    noises = [figures.noise(run) for run in runs]
    times = [figures.timing(run) for run in runs]
    fine = replace(words.units, short_places=1 if words.units.long == "m" else 3)

    def milliseconds(read: str) -> list[str]:
        return ["–" if x is None else f"{words.number(getattr(x, read) * 1000, 1)} ms" for x in times]

    rows: list[tuple[str, ...]] = [
        ("scatter", *("–" if n is None else fine.small(n[0]) for n in noises)),
        ("over", *("–" if n is None else f"{n[1]:.0f} s" for n in noises)),
        ("interval", *milliseconds("interval_median")),
        ("longest", *milliseconds("interval_longest")),
        ("behind", *milliseconds("behind_p99")),
        ("without", *("–" if x is None else words.share(x.without_figure, 1) for x in times)),
    ]
    rows = [(words(f"report.noise.{row[0]}"), *row[1:]) for row in rows]
    counts = [Counter(run.quality) for run in runs]
    for word in QUALITIES:
        if any(c[word] for c in counts):
            shares = (
                words.share(c[word] / max(1, len(run.t)), 1) for c, run in zip(counts, runs, strict=True)
            )
            rows.append((words(f"report.quality.{word}"), *shares))
    return _beside("noise", words("report.noise"), runs, rows)


def score(runs: list[Run], words: Words) -> ReportTable | None:
    """Against the truth of the session, where it has one."""
    if not any(run.score for run in runs):
        return None
    names = list(dict.fromkeys(name for run in runs for name, _ in run.score))
    rows = []
    for name in names:
        said = ": ".join(words(f"report.score.{part}") for part in name.split("."))
        values = (dict(run.score).get(name, "–") for run in runs)
        rows.append((said, *(v.replace(".", ",") if words.say.comma else v for v in values)))
    return _beside("score", words("report.truth"), runs, rows)


def level_book(run: Run, words: Words) -> ReportTable | None:
    """Set-ups and carry-overs as a surveyor books them."""
    if not run.book:
        return None
    numbers = ("backsight_m", "instrument_m", "foresight_m", "elevation_m", "adjusted_m")
    heads = (
        "setup",
        "point",
        "kind",
        "backsight",
        "instrument",
        "foresight",
        "elevation",
        "adjusted",
        "remark",
    )
    return ReportTable(
        "level-book",
        words("report.book", unit=words.units.long),
        tuple(words(f"report.book.{head}") for head in heads),
        tuple(
            (
                str(row["setup"]),
                words.say.mark(row["point"]),
                words.say.word(row["kind"]),
                *(words.units.large(row.get(key), unit=False) for key in numbers),
                row.get("remark", ""),
            )
            for row in run.book
        ),
        frozenset(range(3, 8)),
    )


def points(run: Run, words: Words) -> ReportTable | None:
    """As-dug points."""
    if not run.points:
        return None
    numbers = ("station_m", "reach_m", "lateral_m", "elevation_m", "sigma_m")
    heads = ("point", "code", "station", "reach", "left", "elevation", "sigma", "time", "note")
    return ReportTable(
        "points",
        words("report.points", unit=words.units.long),
        tuple(words(f"report.points.{head}") for head in heads),
        tuple(
            (
                str(row["number"]),
                str(row.get("code", "")),
                *(words.units.large(row.get(key), unit=False) for key in numbers),
                str(row.get("time", "")),
                str(row.get("note", "")),
            )
            for row in run.points
        ),
        frozenset(range(2, 7)),
    )


def history(run: Run, words: Words) -> ReportTable | None:
    """References, targets, doubts and refusals, in order."""
    entries: list[tuple[float, str, str]] = []
    for reply in run.replies:
        refused = "" if reply["ok"] else words("answer.refused", text="")
        entries.append((reply["t"], words.happened(reply["command"]), refused + words.said(reply)))
    for event in run.events:
        if any(word in event["kind"] for word in DATUM_EVENTS):
            entries.append((event["t"], words.happened(event["kind"]), words.said(event)))
    if not entries:
        return None
    entries.sort(key=lambda entry: entry[0])
    rows = tuple((f"{words.number(t, 1)} s", what, text) for t, what, text in entries)
    heads = tuple(words(f"report.history.{head}") for head in ("time", "what", "words"))
    return ReportTable("history", words("report.history"), heads, rows)


def health(run: Run, words: Words) -> ReportTable | None:
    """How each sensor did."""
    if not run.health:
        return None
    rows = []
    for sensor, messages in run.health.items():
        last = messages[-1]
        counted = ", ".join(f"{words.fault(kind)} {n}" for kind, n in last["faults"].items()) or "–"
        bad = sum(after["t"] - m["t"] for m, after in pairwise(messages) if m["state"] != "ok")
        rates = [m["rate_hz"] for m in messages if m["rate_hz"] is not None]
        rate = f"{sorted(rates)[len(rates) // 2]:.0f} Hz" if rates else "–"
        jitters = [m["jitter_s"] for m in messages if m.get("jitter_s") is not None]
        jitter = f"{words.number(1000 * max(jitters), 1)} ms" if jitters else "–"
        ratio, shaken, clipped = (
            max(known) if (known := [m[key] for m in messages if m.get(key) is not None]) else None
            for key in ("test_ratio", "vibration_mps2", "clipped_share")
        )
        rows.append(
            (
                sensor, words.say.word(str(last["body"])), rate, jitter,
                "–" if ratio is None else words.number(ratio, 2),
                "–" if shaken is None else f"{words.number(shaken, 1)} m/s²",
                "–" if clipped is None else f"{words.number(100 * clipped, 1)} %",
                f"{bad:.0f} s", counted, last.get("last_fault") or "",
            )
        )  # fmt: skip
    heads = (
        "sensor", "body", "readings", "jitter", "ratio", "vibration", "clipped", "bad", "counted", "last",
    )  # fmt: skip
    return ReportTable(
        "health",
        words("report.sensors"),
        tuple(words(f"report.sensors.{head}") for head in heads),
        tuple(rows),
        frozenset((2, 3, 4, 5, 6, 7)),
    )


def profile(run: Run) -> ReportTable | None:
    """The ground as dug, in metres, for a program."""
    rows = tuple(
        (
            f"{one.setup}",
            "" if one.slew_deg is None else f"{one.slew_deg:.1f}",
            f"{reach:.2f}",
            f"{low:.3f}",
            "" if target != target else f"{target:.3f}",
        )
        for one in profiles(run)
        for reach, low, target in zip(one.reach, one.lowest, one.target, strict=True)
    )
    head = ("set-up", "slew_deg", "reach_m", "lowest_m", "target_m")
    return ReportTable("profile", "As-dug profile", head, rows, frozenset((1, 2, 3, 4))) if rows else None


TIP_HEAD = ("t", "t_emit", "elevation_m", "reach_m", "sigma_m", "deviation_m", "quality", "datum")


def tip_rows(run: Run) -> Iterable[tuple[str, ...]]:
    """Every tip message as a row under TIP_HEAD, in seconds and metres; empty for null."""
    columns = (run.elevation, run.reach, run.sigma, run.deviation)
    for i, (t, t_emit) in enumerate(zip(run.t, run.t_emit, strict=True)):
        cells = ["" if c[i] != c[i] else f"{c[i]:.5f}" for c in columns]
        yield f"{t:.6f}", f"{t_emit:.6f}", *cells, run.quality[i], run.datum[i]


def _beside(
    key: str, title: str, runs: list[Run], rows: Iterable[tuple[str, ...]], *, numeric: bool = True
) -> ReportTable:
    names = tuple(run.name for run in runs) if len(runs) > 1 else ("",)
    columns = frozenset(range(1, len(runs) + 1)) if numeric else frozenset[int]()
    return ReportTable(key, title, ("", *names), tuple(rows), columns, narrow=numeric)
