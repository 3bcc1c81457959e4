"""A simulated working day of three set-ups, with truth in a ground-fixed frame, played with commands.

Source: the developers' simulated sessions (a general physics engine, not this project's kinematics); skipped
where they are absent. The times of settlement, travel and nudge are those of its script.
"""

from __future__ import annotations

import gzip
import json
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from day_script import digging, touches
from level_sums import arithmetic_check
from tipdatum.fusion.estimator import DEFAULT_ESTIMATOR, make_estimator
from tipdatum.grade.forms import Outcome
from tipdatum.grade.report import TipReport
from tipdatum.grade.work import Work
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Beam, Command, Imu, Input, Slew, Tilt, Truth

PERIOD_S = 0.1
STARTED = datetime(2026, 5, 18, 6, 30, tzinfo=UTC)


@dataclass
class Day:
    """What came out: reports, outcomes by command and time, when doubt rose, and the true elevations."""

    work: Work
    reports: list[TipReport]
    outcomes: dict[tuple[str, float], Outcome]
    doubts: list[float]
    truth: list[tuple[float, float, float]]

    def true(self, t: float) -> tuple[float, float]:
        """The tip's true elevation and place along trench B at the nearest time, m."""
        _, elevation, along = self.truth[min(bisect_left(self.truth, (t,)), len(self.truth) - 1)]
        return elevation, along

    def error_m(self, report: TipReport) -> float:
        """Elevation less truth."""
        assert report.elevation_m is not None
        return report.elevation_m - self.true(report.t)[0]


def play(folder: Path) -> Day:
    """Play the day through the work with the default estimator."""
    with gzip.open(folder / "day.ndjson.gz", "rt") as lines:
        header = decode_header(next(lines))
        machine = parse_machine(header.machine, "day")
        records = [r for r in map(decode_line, lines) if r is not None]
    events = json.loads((folder / "events.json").read_text())
    records += [*touches(events), *digging(events)]
    records.sort(key=lambda r: r.t)
    estimator = make_estimator(DEFAULT_ESTIMATOR, machine, PERIOD_S, None)
    work = Work(machine, estimator, started=STARTED)
    day = Day(work, [], {}, [], [])
    tick, newest = 1, 0.0
    for record in records:
        while record.t > tick * PERIOD_S:
            day.reports.append(work.report(newest))
            tick += 1
            day.doubts += [e.t for e in work.events() if e.kind == "datum-doubtful"]
            for outcome in work.outcomes():
                day.outcomes[outcome.command, outcome.token] = outcome
        if isinstance(record, Truth):
            assert record.tip_ground_m is not None
            day.truth.append((record.t, record.tip_ground_m[2], record.tip_ground_m[0]))
            continue
        if isinstance(record, Command):
            done = work.command(record.name, record.body, record.t, token=record.t)
            if done is not None:
                day.outcomes[done.command, record.t] = done
            continue
        newest = record.t
        if isinstance(record, (Beam, Input)):
            work.observe(record)
        elif isinstance(record, (Imu, Tilt, Slew)):
            estimator.consume(record)
            work.hear(record)
    return day


@pytest.fixture(scope="module")
def day(shared_data: Callable[..., Path]) -> Day:
    return play(shared_data("physics_public", "day"))


pytestmark = pytest.mark.slow


def test_every_touch_is_taken_at_once(day: Day) -> None:
    refused = [(key, o.text) for key, o in day.outcomes.items() if not o.ok]
    assert refused == []
    assert [row.point for row in day.work.state.book.rows if row.backsight_m is not None] == [
        "BM1", "BM1", "TP1", "TP1", "TP2",
    ]  # fmt: skip


@pytest.mark.parametrize("span", [(95.0, 131.4), (154.0, 175.5), (245.2, 285.5), (304.2, 333.2)])
def test_settlement_travel_and_nudge_raise_doubt_before_the_next_touch(
    day: Day, span: tuple[float, float]
) -> None:
    assert any(span[0] <= t <= span[1] for t in day.doubts), day.doubts


def test_nothing_else_raises_doubt(day: Day) -> None:
    events = [(84.9, 131.4), (153.3, 175.6), (245.2, 285.6), (304.1, 333.3)]
    assert [t for t in day.doubts if not any(a <= t <= b for a, b in events)] == []


def test_the_second_touch_of_the_benchmark_shows_the_settlement(day: Day) -> None:
    """The slew centre sank by 24.2300 - 24.2172 m by the script's truth."""
    [moved] = [
        o.result["moved_m"] for (name, t), o in day.outcomes.items() if name == "datum/set" and t > 100
    ]
    assert moved == pytest.approx(-0.0128, abs=0.012)


@pytest.mark.parametrize(
    ("what", "start", "end", "bound_m"),
    [
        ("set-up 1", 17.0, 84.0, 0.015),
        ("set-up 2", 178.0, 244.0, 0.025),
        ("set-up 3, first bucket", 336.0, 387.0, 0.030),
        ("set-up 3, second bucket", 420.0, 495.0, 0.030),
    ],
)
def test_elevations_hold_through_each_set_up(
    day: Day, what: str, start: float, end: float, bound_m: float
) -> None:
    errors = [day.error_m(r) for r in day.reports if start <= r.t <= end]
    rms = (sum(e * e for e in errors) / len(errors)) ** 0.5
    assert rms < bound_m, f"{what}: {rms * 1000:.1f} mm"


def test_the_day_closes_and_its_sums_agree(day: Day) -> None:
    closing = next(o for (name, _), o in day.outcomes.items() if name == "book/close")
    assert abs(closing.result["misclosure_m"]) < 0.030
    assert closing.result["within"]
    assert closing.result["setups"] == 3, "the set-up that a nudge spoilt carries nothing"
    back, fore, rise = arithmetic_check(day.work.state.book.line)
    # What the estimator learns between two sights of one set-up shows in the sums, a few millimetres.
    assert back - fore == pytest.approx(rise, abs=0.02)


def test_five_crossings_of_the_laser_agree_with_each_other_and_with_the_carried_elevation(day: Day) -> None:
    check = next(o for (name, _), o in day.outcomes.items() if name == "laser/check")
    assert check.result["spread_m"] < 0.030
    assert abs(check.result["off_m"]) < 0.030


def test_a_grade_laid_out_at_the_turning_point_is_where_the_trench_is(day: Day) -> None:
    """Trench B: 23.150 m at 4.2 m along it, rising 1 % away from the machine (the day's site.json)."""
    passes = [r for r in day.reports if 235.0 <= r.t <= 243.0 and r.against is not None]
    assert len(passes) > 50
    for report in passes:
        assert report.against is not None
        design = 23.150 + 0.01 * (day.true(report.t)[1] - 4.2)
        assert report.against.target_m == pytest.approx(design, abs=0.005)


def test_points_lie_where_the_tip_truly_was(day: Day) -> None:
    """As-dug points against the true tip at their own time; those of the settlement left out."""
    errors = []
    for point in day.work.state.points:
        t = (datetime.fromisoformat(point.time) - STARTED).total_seconds()
        if not 84.9 <= t <= 131.4:
            errors.append(point.elevation_m - day.true(t)[0])
    assert {p.code for p in day.work.state.points} == {"A", "B", "C"}
    assert len(errors) > 25
    assert (sum(e * e for e in errors) / len(errors)) ** 0.5 < 0.020
