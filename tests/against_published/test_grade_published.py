"""Pipe stake-out, slopes in every unit, trench figures and volumes, against printed values."""

from __future__ import annotations

import math
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.grade.as_dug import average_end_area, trench_volume
from tipdatum.grade.profiles import grade_between
from tipdatum.grade.state import Pipe
from tipdatum.grade.surfaces import Ditch, Grade
from tipdatum.grade.trench import US_DEPTHS, US_SLOPES, depth_cautions, line_clearance_m, slope_caution
from tipdatum.grade.units import format_grade, format_length, parse_grade, parse_length

FOOT = 0.3048
UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()


def test_pipe_stake_out_of_the_us_navy_manual() -> None:
    """NAVEDTRA 14070 (Engineering Aid), pipe stake-out: 2.18 % falling, half a station of 100 ft."""
    pipe = Pipe(invert_m=122.87 * FOOT, grade=-0.0218)
    there = pipe.invert_at(50 * FOOT) / FOOT
    assert there == pytest.approx(121.78, abs=1e-9)
    assert round(126.94 - pipe.invert_at(0.0) / FOOT, 2) == 4.07
    assert round(127.33 - there, 2) == 5.55
    assert grade_between(122.87 * FOOT, 121.78 * FOOT, 50 * FOOT) == pytest.approx(-0.0218)


@pytest.mark.parametrize(
    ("start", "percent", "inverts"),
    [
        (326.32, -1.0, [326.32, 325.82, 325.32, 324.82, 324.32, 323.82, 323.32]),
        (83.64, -0.5, [83.64, 83.39, 83.14, 82.89, 82.64, 82.39]),
    ],
)
def test_inverts_every_fifty_feet(start: float, percent: float, inverts: list[float]) -> None:
    """Exercises printed on an exercise site; the answers follow from invert, slope and distance."""
    plane = Grade(elevation_m=start * FOOT, grade=percent / 100.0)
    found = [(plane.elevation(i * 50 * FOOT, 0.0) or 0.0) / FOOT for i in range(len(inverts))]
    assert found == pytest.approx(inverts)


def test_a_trapezoidal_channel_of_the_handbook() -> None:
    """V. T. Chow, Open-Channel Hydraulics (1959), example 2-1, from memory.

    Bottom 20 ft, sides 1V:2H, 6 ft deep; printed: top width 44 ft, area 192 sq ft, wetted perimeter 46.8 ft.
    """
    depth = 6 * FOOT
    ditch = Ditch(
        elevation_m=0.0, grade=0.0, bottom_m=20 * FOOT, batter_left=0.5, batter_right=0.5, side_m=depth
    )
    right, first, last, left = sorted(ditch.edges())
    assert (left - right) / FOOT == pytest.approx(44.0)
    heights = [ditch.elevation(0.0, offset) for offset in (right, first, last, left)]
    assert heights == pytest.approx([depth, 0.0, 0.0, depth])
    step = (left - right) / 6000
    across = [right + step * (i + 0.5) for i in range(6000)]
    area = sum(depth - (ditch.elevation(0.0, offset) or 0.0) for offset in across) * step
    assert area / FOOT**2 == pytest.approx(192.0, rel=1e-6)
    perimeter = (last - first) + math.hypot(first - right, depth) + math.hypot(left - last, depth)
    assert round(perimeter / FOOT, 1) == 46.8
    # At the middle of the water's surface the bottom is nearer than the sides are.
    assert ditch.perpendicular(0.0, 0.0, depth) == pytest.approx(depth)


def test_trench_bottom_below_a_pipe() -> None:
    """Bottom = invert - wall - bedding - over-dig: common practice, no source; the sum done by hand."""
    pipe = Pipe(invert_m=22.000, grade=-0.01, wall_m=0.012, bedding_m=0.100, overdig_m=0.020)
    assert pipe.bottom_at(10.0) == pytest.approx(22.000 - 0.100 - 0.132)


@pytest.mark.parametrize(
    ("percent", "one_in", "degrees", "permille", "inch_per_foot"),
    [
        (0.40, 250, 0.2292, 4.00, 0.04800),
        (1.00, 100, 0.5729, 10.00, 0.12000),
        (2.00, 50, 1.1458, 20.00, 0.24000),
        (100 / 48, 48, 1.1935, 20.8333, 0.25),
        (2.18, 45.872, 1.2489, 21.80, 0.26160),
        (100 / 12, 12, 4.7636, 83.3333, 1.0),
        (25.0, 4, 14.0362, 250.0, 3.0),
    ],
)
def test_one_slope_in_every_unit(
    percent: float, one_in: float, degrees: float, permille: float, inch_per_foot: float
) -> None:
    """Definitions; 1 in/ft = 83.3 mm/m as plumbing codes print it (Chicago code table 18-29-704.1)."""
    slope = percent / 100.0
    assert parse_grade(f"{percent:.12f}%") == pytest.approx(slope)
    assert parse_grade(f"1 in {one_in}") == pytest.approx(slope, rel=1e-4)
    assert parse_grade(f"{degrees} deg") == pytest.approx(slope, rel=2e-4)
    assert parse_grade(f"{permille} per mille") == pytest.approx(slope, rel=1e-5)
    assert parse_grade(f"{inch_per_foot} in/ft") == pytest.approx(slope, rel=1e-4)


def test_plumbers_inch_per_foot_is_that_of_the_code() -> None:
    assert round(parse_grade("1 in/ft") * 1000, 1) == 83.3
    assert format_grade(parse_grade("1/4 in/ft"), "1:n") == "1:48 (rise:run)"


@pytest.mark.parametrize(
    ("text", "millimetres"),
    [
        ('1/8"', Fraction(127, 40)),
        ("3' 7 5/8\"", Fraction(44323, 40)),
        ("4' 0 13/16\"", Fraction(99187, 80)),
        ("12 ft 4 3/16 in", Fraction(301117, 80)),
        ("9' 11 7/8\"", Fraction(121793, 40)),
    ],
)
def test_feet_inches_and_fractions_are_exact(text: str, millimetres: Fraction) -> None:
    """International foot of 0.3048 m exactly (85 FR 62698); rationals worked out from that definition."""
    assert parse_length(text) == pytest.approx(float(millimetres) / 1000.0, abs=1e-15)
    assert parse_length(format_length(float(millimetres) / 1000.0, "ft-in-16")) == pytest.approx(
        float(millimetres) / 1000.0, abs=1e-12
    )


def test_rounding_carries_to_the_next_inch_and_foot() -> None:
    assert format_length(0.9987 * FOOT, "ft-in-16") == "1' 0\""
    assert format_length(-0.9987 * FOOT, "ft-in-16") == "-1' 0\""
    assert format_length(-0.00001, "ft-in-8") == "0' 0\""
    assert format_length(float(Fraction(127, 80)) / 1000.0, "ft-in-8") == "0' 0 1/8\"", "halves go up"


@given(st.floats(-500, 500), st.sampled_from(["m", "mm", "cm", "ft", "in"]))
def test_lengths_agree_with_pint(value: float, unit: str) -> None:
    expected = UNITS.Quantity(value, unit).to("m").magnitude
    assert parse_length(f"{value:.9f} {unit}") == pytest.approx(expected, abs=1e-8)


@given(st.floats(-300, 300), st.sampled_from(["ft-in-8", "ft-in-16"]))
def test_what_is_written_in_feet_and_inches_reads_back_within_half_a_step(metres: float, unit: str) -> None:
    step = 0.0254 / int(unit.rsplit("-", 1)[1])
    text = format_length(metres, unit)  # type: ignore[arg-type]
    assert abs(parse_length(text) - metres) <= step / 2 + 1e-9
    assert '12"' not in text.split("'")[1]


@given(st.floats(0.0001, 5.0), st.sampled_from([1, -1]))
def test_grades_agree_with_pint(slope: float, sign: int) -> None:
    degrees = UNITS.Quantity(math.atan(slope), "radian").to("degree").magnitude
    assert parse_grade(f"{sign * degrees:.9f} deg") == pytest.approx(sign * slope, rel=1e-5)
    assert parse_grade(f"{sign * slope * 100:.9f} %") == pytest.approx(sign * slope, abs=1e-9)


@pytest.mark.parametrize(("soil", "ratio", "printed"), [("A", 0.75, 53), ("B", 1.0, 45), ("C", 1.5, 34)])
def test_slopes_by_soil(soil: str, ratio: float, printed: int) -> None:
    """29 CFR 1926 Subpart P Appendix B, Table B-1 (ratio, and the angle rounded to a whole degree)."""
    assert US_SLOPES[soil] == (ratio, printed)
    assert round(math.degrees(math.atan(1.0 / ratio))) == printed
    [caution] = slope_caution(soil, "us")
    assert f"{ratio:g}H:1V ({printed}°)" in caution.text
    assert slope_caution(soil, None) == []


def test_depths_of_the_us_rules() -> None:
    """29 CFR 1926.651(c)(2): 4 ft; 1926.652(a)(1): 5 ft; Appendix B: 20 ft."""
    assert [round(depth / FOOT, 9) for depth, _ in US_DEPTHS] == [4, 5, 20]
    at = {feet: [c.name for c in depth_cautions(feet * FOOT, "us")] for feet in (3.9, 4, 5, 20)}
    assert "egress" not in at[3.9]
    assert "egress" in at[4]
    assert "protective system" in at[5]
    assert "engineered system" in at[20]


def test_no_country_chosen_shows_no_country_s_figures_and_unknown_is_not_shallow() -> None:
    assert all(not c.jurisdiction for c in depth_cautions(3.0, None))
    [unknown] = depth_cautions(None, "us")
    assert "not a shallow one" in unknown.text


@pytest.mark.parametrize(
    ("kilovolts", "feet"),
    [(50, 10), (69, 15), (138, 15), (200, 15), (345, 20), (500, 25), (750, 35), (1000, 45)],
)
def test_overhead_clearance_is_the_larger_of_two_rules(kilovolts: float, feet: float) -> None:
    """29 CFR 1926.1408 Table A ("to" includes the value); 10 ft and 0.4 in a kV over 50 (from memory)."""
    clearance = line_clearance_m(kilovolts)
    assert clearance is not None
    assert clearance / FOOT == pytest.approx(feet)


def test_beyond_the_table_there_is_no_figure() -> None:
    assert line_clearance_m(1001) is None


def test_average_end_areas_as_us_handbooks_write_them() -> None:
    """V = L (A1 + A2) / 54 in cubic yards with L in ft and A in ft² (from memory, any US surveying text)."""
    yards = 100.0 * (700.0 + 850.0) / 54.0
    cubic = average_end_area([(0.0, 700.0 * FOOT**2), (100.0 * FOOT, 850.0 * FOOT**2)])
    assert cubic == pytest.approx(yards * (3 * FOOT) ** 3)


def test_a_trench_of_even_depth_is_a_box_and_ground_above_counts_nothing() -> None:
    assert trench_volume([(0.0, 98.0), (10.0, 98.0)], 100.0, 0.6) == pytest.approx(12.0)
    assert trench_volume([(0.0, 101.0), (10.0, 102.0)], 100.0, 0.6) == 0.0
