"""The report: what it computes, what it draws, what it writes."""

from __future__ import annotations

import csv
import gzip
import json
import math
import re
import statistics
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.cli import main
from tipdatum.cli.gather import gather
from tipdatum.cli.inputs import settings_from
from tipdatum.display.report import figures, ground, summary, tables
from tipdatum.display.report.page import all_tables, report
from tipdatum.display.report.run import Run
from tipdatum.display.report.words import FEET, METRIC, Words
from tipdatum.display.texts import languages
from tipdatum.grade.as_dug import GroundLine
from tipdatum.svg import MOST_POINTS, Chart, thinned, tick_text, ticks
from tipdatum.tables import parquet_is_here, write_both

ENGLISH = Words.of(METRIC)
DIG = Path(__file__).parents[3] / "replay_data" / "trench.ndjson.gz"


def make_run(**changes: Any) -> Run:
    """Ten seconds: 2 s before the reference, a pass along a level target at 1.0 m, a lift at the end."""
    t = np.arange(0, 10, 0.02)
    rng = np.random.default_rng(7)
    deviation = np.where(t < 8, 0.01 + 0.005 * rng.standard_normal(len(t)), 2.0)
    elevation = 1.0 + deviation
    unknown = t < 2
    run = Run(
        name="pass",
        session="pass.ndjson",
        started="2026-05-04T08:00:00Z",
        machine={"name": "Test machine"},
        estimator="chain",
        comment="",
        t=t,
        t_emit=t,
        elevation=np.where(unknown, np.nan, elevation),
        reach=7.0 - 0.4 * t,
        sigma=np.full(len(t), 0.004),
        deviation=np.where(unknown, np.nan, deviation),
        target=np.where(unknown, np.nan, 1.0),
        slew=np.zeros(len(t)),
        hang=np.full(len(t), 0.8),
        lean=np.zeros((len(t), 2)),
        quality=tuple("good" for _ in t),
        datum=tuple("none" if u else "set" for u in unknown),
        states=[
            {"t": 2.0, "datum": "set", "reference": {"t": 2.0}, "target": {"kind": "level"},
             "tolerance": {"above_m": 0.015, "below_m": 0.02}},
        ],
    )  # fmt: skip
    return replace(run, **changes)


def stroke(depth: float, t0: float = 0.0, *, rise: float = 0.0, **changes: Any) -> Run:
    """Four seconds of the edge drawn from 7 m to 5 m, `depth` below a level target at 1.0 m."""
    t = t0 + np.arange(0, 4, 0.02)
    reach = 7.0 - 0.5 * (t - t0)
    elevation = 1.0 - depth + rise * (7.0 - reach)
    same = np.full(len(t), 1.0)
    run = make_run()
    return replace(
        run,
        **{
            "t": t, "t_emit": t, "reach": reach, "elevation": elevation, "deviation": elevation - 1.0,
            "target": same, "slew": 0 * t, "hang": 0.8 * same, "sigma": 0.004 * same,
            "lean": np.zeros((len(t), 2)), "quality": ("good",) * len(t), "datum": ("set",) * len(t),
            **changes,
        },
    )  # fmt: skip


def test_ground_is_the_lowest_cut_however_far_from_the_target() -> None:
    (line,) = ground.profiles(stroke(0.231))
    assert line.lowest == pytest.approx(np.full(len(line.reach), 0.769))
    assert line.deviation.min() == pytest.approx(-0.231)


@pytest.mark.parametrize(
    ("what", "changes"),
    [
        ("let down", {"rise": -1.5}),
        ("lifted", {"rise": 2.0}),
        ("carried in a curled bucket", {"hang": np.full(200, -0.1)}),
        ("swung", {"slew": np.linspace(0, 60, 200)}),
        ("of a figure that does not count", {"quality": ("stale",) * 200}),
    ],
)
def test_edge_does_not_cut_while_it_is(what: str, changes: dict[str, Any]) -> None:
    assert ground.cutting(stroke(0.1)).sum() > 190
    assert not ground.cutting(stroke(0.1, **changes)).any(), what


def test_way_out_and_feeling_for_the_ground_cut_nothing() -> None:
    out = stroke(0.1)
    assert not ground.cutting(replace(out, reach=out.reach[::-1])).any()
    assert not ground.cutting(replace(out, reach=7.0 - (7.0 - out.reach) / 10)).any()


def test_statistics_are_those_of_the_standard_library() -> None:
    rng = np.random.default_rng(7)
    places = 0.01 * rng.standard_normal(40)
    line = GroundLine(1, None, 0.0, np.arange(40) * 0.1, 1.0 + places, 0 * places, 1.0 + 0 * places)
    found = ground.against([line], (0.015, 0.01))
    assert found is not None
    values = [float(v) for v in places]
    assert found.mean == pytest.approx(statistics.fmean(values))
    assert found.sd == pytest.approx(statistics.pstdev(values))
    assert found.median == pytest.approx(statistics.median(values))
    assert found.within == pytest.approx(sum(-0.01 <= v <= 0.015 for v in values) / 40)


def test_over_dug_stretch_is_named_from_where_to_where_and_how_much() -> None:
    reach = np.arange(4.05, 6.0, 0.1)
    deviation = np.where((reach > 4.5) & (reach < 5.0), -0.08, -0.01)
    line = GroundLine(1, 0.0, 0.0, reach, 1.0 + deviation, 0 * reach, 1.0 + 0 * reach)
    (stretch,) = ground.over_dug([line], (0.02, 0.03))
    assert (stretch.start, stretch.end) == (pytest.approx(4.5), pytest.approx(5.0))
    assert stretch.deepest == pytest.approx(0.08)


def test_end_walls_are_no_floor() -> None:
    reach = np.arange(4.05, 6.0, 0.1)
    deviation = np.maximum(0.0, 0.3 - (reach - 4.05))
    line = GroundLine(1, 0.0, 0.0, reach, 1.0 + deviation, 0 * reach, 1.0 + 0 * reach)
    assert line.floor == pytest.approx(np.zeros(len(reach) - 3), abs=1e-9)
    assert len(line.deviation) == len(reach)


@pytest.mark.parametrize(
    ("depth", "band", "word"),
    [
        (0.0, {"above_m": 0.02, "below_m": 0.02}, "pass"),
        (0.08, {"above_m": 0.02, "below_m": 0.02}, "fail"),
        (-0.08, {"above_m": 0.02, "below_m": 0.02}, "fail"),
        (0.0, {"above_m": 0.001, "below_m": 0.001}, "cannot"),
        (0.0, None, "none"),
    ],
)
def test_page_one_gives_a_verdict(depth: float, band: dict[str, float] | None, word: str) -> None:
    states = [{**make_run().states[0], "t": 0.0, "tolerance": band}]
    assert summary.verdict(stroke(depth, states=states), ENGLISH).word == word


def test_page_one_says_what_a_foreman_asks_for() -> None:
    state = {
        **make_run().states[0], "t": 0.0,
        "reference": {"t": 0.0, "mark": "BM1", "known_m": 1.0, "how": "mark"},
        "checked": {"mark": "BM2", "off_m": 0.004, "passed": True},
        "target": {"kind": "level", "elevation_m": 1.0},
    }  # fmt: skip
    run = stroke(0.08, states=[state], site="Lot 7", operator="KF")
    text = summary.page_one(run, Words.of(METRIC, zone=ZoneInfo("Europe/Vienna")))
    for said in (
        "Lot 7", "KF", "10:00", "CEST", "BM1", "BM2: +4 mm off, passed", "level 1.000 m", "+15/−20\u00a0mm",
        "Not within tolerance", "80\u00a0mm too deep", "never in doubt", "two sigma were",
    ):  # fmt: skip
        assert said in text or said.replace("\u00a0", " ") in text, said


def test_session_without_a_target_says_what_was_moved_and_how_the_machine_stood() -> None:
    run = stroke(0.1, states=[], target=np.full(200, np.nan), deviation=np.full(200, np.nan))
    (moved, *_) = summary.said(run, ENGLISH)
    assert "Strokes of the edge: 1, " in moved
    assert "0.0° nose up" in moved


@pytest.mark.parametrize(("cross", "side"), [(-0.1, "left"), (0.1, "right")])
def test_a_target_that_falls_across_is_told_with_its_side(cross: float, side: str) -> None:
    """Cross-slope positive when it rises to the left, as the conventions have it."""
    states = [{**make_run().states[0], "target": {"kind": "grade", "grade": 0.02, "cross": cross}}]
    text = summary.page_one(stroke(0.1, states=states), ENGLISH)
    assert f"2.00 % rising, falling 10.00 % to the {side}" in str(text)


def test_gap_before_the_first_figure_is_none() -> None:
    elevation = stroke(0.1).elevation.copy()
    elevation[:100] = np.nan
    begun = stroke(0.1, elevation=elevation, quality=("invalid",) * 100 + ("good",) * 100)
    assert "no figure was missing" in " ".join(summary.said(begun, ENGLISH))
    lost = stroke(0.1, quality=("good",) * 100 + ("stale",) * 50 + ("good",) * 50)
    assert "Gaps without figures: 1" in " ".join(summary.said(lost, ENGLISH))


def test_each_reference_begins_a_set_up_of_its_own() -> None:
    first = make_run().states[0]
    again = {**first, "t": 5.0, "reference": {"t": 5.0}}
    same = {**first, "t": 6.0, "reference": {"t": 5.0}}
    run = make_run(states=[first, again, same])
    assert ground.setup_starts(run) == [2.0, 5.0]
    assert [profile.setup for profile in ground.profiles(run)] == [1, 2]


def test_noise_is_the_scatter_of_a_standing_tip() -> None:
    rng = np.random.default_rng(3)
    still = make_run(reach=np.full(500, 5.0), elevation=1.0 + 0.001 * rng.standard_normal(500))
    found = figures.noise(still)
    assert found is not None
    scatter, seconds = found
    assert scatter == pytest.approx(0.001, rel=0.1)
    assert seconds == pytest.approx(9.8, abs=0.3)
    assert figures.noise(make_run(elevation=np.linspace(0, 5, 500))) is None


def test_run_without_any_figure_is_reported_all_the_same() -> None:
    nothing = np.full(500, np.nan)
    run = make_run(elevation=nothing, deviation=nothing, sigma=nothing, reach=nothing, states=[])
    text = report([run], ENGLISH)
    assert "No stroke of the edge was seen" in text


# --- drawing ------------------------------------------------------------------------------------------


@given(
    st.floats(-1e4, 1e4, allow_nan=False), st.floats(1e-3, 1e4, allow_nan=False), st.integers(3, 12)
)  # fmt: skip
def test_ticks_are_round_inside_and_neither_too_many_nor_missing(low: float, span: float, most: int) -> None:
    found = ticks(low, low + span, most)
    assert 1 <= len(found) <= most + 1
    slack = 1e-6 * (abs(low) + span)
    assert all(low - slack <= value <= low + span + slack for value in found)
    if len(found) > 1:
        step = found[1] - found[0]
        mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-3
        assert len({tick_text(value, step) for value in found}) == len(found), "two ticks read the same"


def test_thinning_keeps_extremes_and_gaps() -> None:
    x = np.arange(50_000, dtype=float)
    y = np.sin(x / 500)
    y[12_345], y[30_000] = 9.0, np.nan
    thin_x, thin_y = thinned(x, y)
    assert len(thin_x) <= MOST_POINTS + 10
    assert np.nanmax(thin_y) == 9.0
    assert np.isnan(thin_y).any()
    assert (np.diff(thin_x) > 0).all()


def test_section_is_true_to_scale() -> None:
    chart = Chart("", (2.0, 7.0), (-1.0, 0.5), "", "", true_scale=True)
    across = chart.px(1.0) - chart.px(0.0)
    up = chart.py(0.0) - chart.py(1.0)
    assert across == pytest.approx(up)


def test_lines_break_where_nothing_is_known() -> None:
    chart = Chart("", (0, 4), (0, 1), "", "")
    chart.line(np.arange(5.0), np.array([0, 1, np.nan, 1, 0]))
    (path,) = re.findall(r'<path d="(M[^"]+)" fill="none" stroke="#15201d" stroke-width="1.6"', chart.svg())
    assert path.count("M") == 2
    assert "nan" not in path


# --- the file -----------------------------------------------------------------------------------------


class Outline(HTMLParser):
    """Notes tags, and fails on any that are closed out of order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "br", "img"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag


def outline(text: str) -> Outline:
    parsed = Outline()
    parsed.feed(text)
    assert parsed.open == []
    return parsed


def test_file_is_well_formed_and_needs_nothing_from_elsewhere() -> None:
    text = report([make_run()], ENGLISH)
    parsed = outline(text)
    tags = {tag for tag, _ in parsed.seen}
    assert not tags & {"script", "link", "img", "iframe", "object"}
    assert not [a for _, attrs in parsed.seen for a in attrs if a in ("src", "href", "xlink:href")]
    assert "url(#" in text
    assert not re.search(r"url\((?!#)", text)
    assert "@import" not in text


def test_drawings_are_named_and_are_xml() -> None:
    text = report([make_run()], ENGLISH)
    drawings = [d for d in re.findall(r"<svg viewBox.*?</svg>(?:.*?</svg>)?", text) if "role" in d]
    assert len(drawings) >= 8
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.get("aria-label")


def test_names_from_a_session_cannot_break_out_of_the_text() -> None:
    hostile = '"><script>alert(1)</script>'
    run = make_run(
        name=hostile, comment=hostile, machine={"name": hostile}, estimator=hostile, session=hostile,
        points=[{"number": 1, "code": hostile, "reach_m": 6.0, "elevation_m": 1.0, "setup": 1,
                 "automatic": False, "note": hostile, "time": "", "sigma_m": 0.004, "station_m": None,
                 "lateral_m": 0.0}],
        replies=[{"t": 3.0, "command": hostile, "ok": True, "text": hostile}],
    )  # fmt: skip
    text = report([run, replace(run, name="other " + hostile)], ENGLISH)
    assert "<script" not in text
    outline(text)


def test_caution_is_on_the_first_page() -> None:
    text = report([make_run()], ENGLISH)
    assert "not a certified survey" in text
    assert "no safety device" in text
    assert text.index("no safety device") < text.index("<h2>")


def test_two_runs_stand_beside_each_other() -> None:
    text = report([make_run(name="first"), make_run(name="second", estimator="complementary")], ENGLISH)
    assert "Comparison of first and second" in text
    heads = re.findall(
        r"<caption>Deviation of the ground from the target</caption><thead><tr>(.*?)</tr>", text
    )
    assert re.findall(r">([^<]+)<", heads[0]) == ["first", "second"]


def test_lengths_are_written_in_the_units_asked_for() -> None:
    assert METRIC.small(0.0254, sign=True) == "+25 mm"
    assert FEET.small(-0.0254, sign=True) == "−1.00 in"
    assert FEET.large(0.3048) == "1.00 ft"
    assert METRIC.small(-0.0002, sign=True) == "0 mm"
    assert METRIC.large(float("nan")) == "–"


def as_csv(table: tables.ReportTable, folder: Path) -> list[list[str]]:
    write_both(folder, "x", *table.plain())
    with (folder / "x.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def test_csv_reads_back_with_plain_minus_signs(tmp_path: Path) -> None:
    table = tables.ReportTable("x", "t", ("a", "b"), (("one, two", "−5"), ('say "three"', "+1")))
    assert as_csv(table, tmp_path) == [
        ["a", "b"],
        ["one, two", "-5"],
        ['say "three"', "1"],
    ]


def test_csv_has_plain_numbers_and_their_units_in_the_head(tmp_path: Path) -> None:
    table = tables.ReportTable(
        "x", "t", ("what", "long", "share", "remark"),
        (("a", "−5 mm", "12.5 %", "3 of 10"), ("b", "12 mm", "–", "none")), frozenset((1, 2, 3)),
    )  # fmt: skip
    assert as_csv(table, tmp_path) == [
        ["what", "long [mm]", "share [%]", "remark"],
        ["a", "-5", "12.5", "3 of 10"],
        ["b", "12", "", "none"],
    ]


def test_csv_of_rows_with_units_of_their_own_has_a_column_for_them(tmp_path: Path) -> None:
    rows = (
        ("length", "3,1 m", "2,0 m"),
        ("median", "−193 mm", "–"),
        ("share", "–", "–"),
        ("mixed", "1 m", "2 mm"),
    )
    table = tables.ReportTable("x", "t", ("", "first", "second"), rows, frozenset((1, 2)))
    assert as_csv(table, tmp_path) == [
        ["item", "unit", "first", "second"],
        ["length", "m", "3.1", "2.0"],
        ["median", "mm", "-193", ""],
        ["share", "", "", ""],
        ["mixed", "m", "1", "2 mm"],
    ]


# --- the command --------------------------------------------------------------------------------------


def run_command(*arguments: str) -> int:
    try:
        main(["report", *arguments])
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def test_command_writes_report_and_tables(tmp_path: Path) -> None:
    target, folder = tmp_path / "dig.html", tmp_path / "csv"
    short = tmp_path / "short.ndjson"
    with gzip.open(DIG, "rt") as whole, short.open("w") as cut:
        cut.writelines(line for line in whole if json.loads(line).get("t", 0) <= 20.0)
    assert run_command(str(short), "--output", str(target), "--tables", str(folder)) == 0
    text = target.read_text(encoding="utf-8")
    outline(text)
    for heading in ("What was dug", "Over time", "Against the truth", "References", "Sensors"):
        assert f"<h2>{heading}" in text
    with (folder / "tip.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 450
    assert {row["datum"] for row in rows} <= {"none", "set", "doubtful"}
    assert (folder / "score.csv").exists()
    beside = {path.stem for path in folder.glob("*.parquet")}
    assert beside == ({path.stem for path in folder.glob("*.csv")} if parquet_is_here() else set())


@pytest.mark.parametrize("language", languages())
def test_tables_as_parquet_have_the_rows_and_numbers_of_the_csv(tmp_path: Path, language: str) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    run = make_run(name="first")
    every = [table.plain() for table in all_tables(run, Words.of(METRIC, language))]
    for number, (head, cells) in enumerate([*every, (tables.TIP_HEAD, list(tables.tip_rows(run)))]):
        assert len(set(head)) == len(head)
        assert all(head)
        write_both(tmp_path, str(number), head, cells)
        table = parquet.read_table(tmp_path / f"{number}.parquet")
        assert table.column_names == list(head)
        for column, texts in zip(table.columns, zip(*cells, strict=True), strict=True):
            values = column.to_pylist()
            assert [value is None for value in values] == [text == "" for text in texts]
            numbers = [(v, t) for v, t in zip(values, texts, strict=True) if isinstance(v, (int, float))]
            assert all(value == float(text) for value, text in numbers)
    assert {str(table.schema.field(name).type) for name in tables.TIP_HEAD[:5]} == {"double"}


def test_a_column_is_numbers_only_where_all_of_its_cells_are(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    cells = [("1", "1", "007", "2 mm", ""), ("", "-2.5", "8", "3", ""), ("3", "0.0", "9", "", "")]
    write_both(tmp_path, "x", ("count", "length", "code", "mixed", "empty"), cells)
    table = parquet.read_table(tmp_path / "x.parquet")
    assert [str(kind) for kind in table.schema.types] == ["double", "double", "string", "string", "double"]
    assert table.to_pydict() == {
        "count": [1, None, 3],
        "length": [1.0, -2.5, 0.0],
        "code": ["007", "8", "9"],
        "mixed": ["2 mm", "3", None],
        "empty": [None, None, None],
    }


def test_without_pyarrow_the_tables_are_csv_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setattr("tipdatum.tables.parquet_is_here", lambda: False)
    write_both(tmp_path, "x", ("a",), [("1",)])
    assert [path.name for path in tmp_path.iterdir()] == ["x.csv"]


@pytest.mark.parametrize("language", languages())
def test_report_is_written_in_every_language(language: str) -> None:
    text = report([stroke(0.08)], Words.of(METRIC, language))
    outline(text)
    assert f'lang="{language}"' in text
    assert not re.search(r">[^<]*\breport\.[a-z]", text), "a key instead of its text"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["no-such-file.ndjson"], "no-such-file.ndjson"),
        ([str(DIG), "--units", "furlong"], "furlong"),
        ([str(DIG), "--estimator", "guess"], "guess"),
        ([str(DIG), "--language", "xx"], "xx"),
        ([str(DIG), "--timezone", "Nowhere/Land"], "Nowhere/Land"),
        ([str(DIG)] * 5, "at most 4"),
        ([str(DIG), str(DIG), "--estimator", "chain", "--estimator", "complementary"], "not both at once"),
    ],
)
def test_mistakes_are_told_in_one_sentence(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_command(*arguments) == 2
    message = capsys.readouterr().err
    assert said in message
    assert "Traceback" not in message


def test_files_of_one_day_are_one_report(tmp_path: Path) -> None:
    """A dig that was recorded in two files gives the very figures of the same dig in one."""
    header, *records = [json.loads(line) for line in gzip.decompress(DIG.read_bytes()).splitlines()]
    records = [one for one in records if one["t"] < 12.0 and one["kind"] != "truth"]
    cut = 7.0
    later = datetime.fromisoformat(header["started"]) + timedelta(seconds=cut)
    halves = (
        ("b", header, [one for one in records if one["t"] < cut]),
        ("a", {**header, "started": later.isoformat()}, [
            {**one, "t": one["t"] - cut} for one in records if one["t"] >= cut
        ]),
    )  # fmt: skip
    whole = tmp_path / "whole.ndjson"
    for path, head, lines in (
        (whole, header, records),
        *((tmp_path / f"{n}.ndjson", h, r) for n, h, r in halves),
    ):
        path.write_text("\n".join(map(json.dumps, (head, *lines))) + "\n")
    settings = settings_from(None, None)
    one = gather(whole, settings, "day")
    joined = gather(tmp_path / "a.ndjson", settings, "day", [tmp_path / "b.ndjson"])
    assert np.isfinite(one.elevation).any()
    np.testing.assert_allclose(joined.t, one.t)
    np.testing.assert_allclose(joined.elevation, one.elevation, atol=2e-4)


DITCH_TARGET = {
    "kind": "ditch", "elevation_m": 1.0, "grade": 0.0, "bottom_m": 0.4, "batter_left": 0.5,
    "batter_right": 1.0, "side_m": None,
}  # fmt: skip


def dug_with_a_tilted_edge() -> Run:
    """A stroke whose left end lies on the batter, 30 mm above it, and whose right end is 20 mm too deep."""
    run = stroke(0.0)
    count = len(run.t)
    state = {"t": 0.0, "datum": "set", "reference": {"t": 0.0}, "target": DITCH_TARGET}
    return replace(
        run,
        states=[state],
        tilts=True,
        corners=np.tile([0.03, -0.02], (count, 1)),
        falls=np.tile([48.0, 50.0], (count, 1)),
        # From the middle of the bottom, 20 mm below it, to 1.2 m left: 0.5 m up the batter, and 30 mm.
        across=np.tile([1.2, 0.53, 0.0, -0.02], (count, 1)),
    )


def test_what_each_end_of_a_tilted_edge_dug_is_told_with_the_fall() -> None:
    table = tables.edge(dug_with_a_tilted_edge(), ENGLISH)
    assert table is not None
    assert [row[0] for row in table.rows] == [
        "left corner", "right corner", "fall of the edge less that of the target, to the left",
    ]  # fmt: skip
    assert [row[2] for row in table.rows] == ["+30 mm", "−20 mm", "−2.0 %"]
    assert tables.edge(stroke(0.0), ENGLISH) is None, "a plain bucket on a level target has one edge"


def test_the_section_of_a_ditch_is_the_lowest_between_the_ends_of_the_edge() -> None:
    found = ground.ditch_section(dug_with_a_tilted_edge())
    assert found is not None
    offset, height = found
    assert (offset.min(), offset.max()) == (pytest.approx(0.05), pytest.approx(1.25, abs=0.11))
    # A straight edge: 0.55 m of rise over 1.2 m; each step of 0.1 m keeps its lowest.
    line = -0.02 + 0.55 / 1.2 * offset
    assert np.all(np.abs(height - line) < 0.05)


def test_the_report_draws_the_ditch_in_both_languages() -> None:
    run = dug_with_a_tilted_edge()
    for language in languages():
        words = Words.of(METRIC, language)
        page = report([run], words)
        assert words("report.chart.ditch") in page
        assert words("report.edge") in page
    plain = report([stroke(0.0)], ENGLISH)
    assert ENGLISH("report.chart.ditch") not in plain
    assert ENGLISH("report.edge") not in plain
