"""Level books printed elsewhere, played through the machine's own: their sums, elevations and misclosures.

Sources. A: NPTEL (IIT) course 105107122, example 13-1, with its printed slip of 149.450 put right. B, C:
exercise books with printed field notes. D: Ghilani and Wolf, Elementary Surveying, problem 5.12; the answer
follows from the printed sights. E: a field guide's example with its distribution.
"""

from __future__ import annotations

import math

import pytest

from level_sums import arithmetic_check
from tipdatum.grade.levels import (
    Closure,
    Kind,
    LevelBook,
    Sight,
    close,
    correction_at,
    to_csv,
    to_table,
)

FOOT = 0.3048
BOOKS = {
    "A": (1.0, 150.485,
          [1.205, 0.125, 0.395, 0.880, 1.960, 2.595, 2.255, 2.305],
          [1.860, 1.915, 2.615, 1.760, 0.920, 0.915, 0.515, 1.170],
          [149.830, 148.040, 145.820, 144.940, 145.980, 147.660, 149.400, 150.535], 150.485, 0.050),
    "B": (FOOT, 100.00, [3.10, 6.44, 8.76, 7.12], [9.82, 6.96, 3.27, 10.42],
          [93.28, 92.76, 98.25, 94.95], 94.91, 0.04),
    "C": (FOOT, 355.23, [2.71, 3.62, 3.51, 3.17, 1.47], [4.88, 3.97, 2.81, 1.62, 1.21],
          [353.06, 352.71, 353.41, 354.96, 355.22], 355.23, -0.01),
    "D": (1.0, 852.045, [4.388, 6.907, 4.680, 3.730, 8.464], [4.538, 8.800, 5.978, 5.245, 3.598],
          [851.895, 850.002, 848.704, 847.189, 852.055], 852.045, 0.010),
    "E": (FOOT, 100.00, [4.32, 5.18, 2.86, 8.11], [6.75, 3.04, 7.42, 3.28],
          [97.57, 99.71, 95.15, 99.98], 100.00, -0.02),
}  # fmt: skip
"""unit in m, first benchmark, backsights, foresights, printed elevations, closing benchmark, misclosure."""

HALF_A_MILLIMETRE = 0.0005
HALF_A_HUNDREDTH_FOOT = 0.005 * FOOT


def levelled(name: str) -> tuple[LevelBook, Closure]:
    """The book as the machine would write it: touch, work, touch the next mark, move."""
    unit, start, backs, fores, printed, known, _ = BOOKS[name]
    book, elevation = LevelBook(), start * unit
    for i, (back, fore) in enumerate(zip(backs, fores, strict=True)):
        kind: Kind = "benchmark" if i == 0 else "turning point"
        book = book.with_backsight(f"P{i}", kind, elevation, Sight(back * unit, 0.002, "", float(i), ""))
        row = book.rows[-1]
        last = i == len(printed) - 1
        kind = "closing" if last else "turning point"
        seen = Sight(fore * unit, 0.002, "", float(i), "")
        book = book.with_foresight(f"P{i + 1}", kind, row.instrument_m, seen)
        row = book.rows[-1]
        elevation = row.elevation_m
    return book, close(book.line, elevation, known * unit)


@pytest.mark.parametrize("name", BOOKS)
def test_elevations_are_those_printed(name: str) -> None:
    unit, _, _, _, printed, _, _ = BOOKS[name]
    book, _ = levelled(name)
    found = [row.elevation_m / unit for row in book.rows if row.foresight_m is not None]
    assert found == pytest.approx(printed, abs=1e-9)


@pytest.mark.parametrize("name", BOOKS)
def test_misclosure_is_that_printed(name: str) -> None:
    unit, *_, printed, _, misclosure = BOOKS[name]
    _, closure = levelled(name)
    assert closure.setups == len(printed)
    assert closure.misclosure_m / unit == pytest.approx(misclosure, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "backs", "fores"),
    [("A", 11.720, 11.670), ("B", 25.42, 30.47), ("C", 14.48, 14.49), ("D", 28.169, 28.159)],
)
def test_the_sums_check_the_arithmetic(name: str, backs: float, fores: float) -> None:
    unit = BOOKS[name][0]
    back, fore, rise = arithmetic_check(levelled(name)[0].rows)
    assert (back / unit, fore / unit) == pytest.approx((backs, fores))
    assert back - fore == pytest.approx(rise)


def test_a_misclosure_is_spread_as_in_the_printed_book() -> None:
    _, closure = levelled("E")
    printed = [97.575, 99.72, 95.165, 100.00]
    raw = BOOKS["E"][4]
    adjusted = [z + correction_at(closure, i + 1) / FOOT for i, z in enumerate(raw)]
    assert adjusted == pytest.approx(printed, abs=1e-9)


def test_allowable_misclosure_grows_with_the_root_of_the_set_ups() -> None:
    book, _ = levelled("A")
    closure = close(book.line, 150.535, 150.485, k_m=0.01)
    assert closure.allowable_m == pytest.approx(0.01 * math.sqrt(8))
    assert not closure.within
    # By default: twice the root of the sum of the touches' variances, two touches a set-up, 2 mm each.
    assert levelled("A")[1].allowable_m == pytest.approx(2.0 * 0.002 * math.sqrt(16))


def test_the_book_can_be_read_and_counted_with() -> None:
    book, _ = levelled("D")
    table = to_table(book.rows).splitlines()
    assert table[0].split() == ["set-up", "point", "BS", "HI", "FS", "elevation", "adjusted", "remarks"]
    assert len(table) == 2 + 10
    lines = to_csv(book.rows).splitlines()
    assert lines[1].startswith("1,P0,benchmark,4.388,856.433,,852.045")


def test_a_spreadsheet_takes_no_name_of_a_mark_for_a_formula() -> None:
    row = levelled("D")[0].rows[0].model_copy(update={"point": "=1+1"})
    assert to_csv([row]).splitlines()[1].startswith("1,'=1+1,")
    assert "=1+1" in to_table([row])
