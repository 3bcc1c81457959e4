"""Units at the edge: what people type and read, and the metres and plain ratios inside.

Inside, a length is metres and a grade is rise over run (0.02 for 2 %). The international foot is 0.3048 m
exactly (1 inch = 25.4 mm), as agreed in 1959; the US survey foot, given up after 2022, is not known here.

Input that could be meant in more than one way is refused, and the refusal shows the ways.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction
from typing import Literal, TypeAlias

from tipdatum.errors import InputError

LengthUnit: TypeAlias = Literal["m", "mm", "ft", "ft-in-8", "ft-in-16"]
GradeUnit: TypeAlias = Literal["%", "1:n", "n:1", "deg", "permille", "in/ft"]

INCH_M = Fraction(254, 10000)
FOOT_M = Fraction(3048, 10000)

LENGTHS: dict[str, Fraction] = {
    "m": Fraction(1), "metre": Fraction(1), "metres": Fraction(1),
    "meter": Fraction(1), "meters": Fraction(1),
    "mm": Fraction(1, 1000), "cm": Fraction(1, 100), "dm": Fraction(1, 10), "km": Fraction(1000),
    "ft": FOOT_M, "foot": FOOT_M, "feet": FOOT_M, "'": FOOT_M,
    "in": INCH_M, "inch": INCH_M, "inches": INCH_M, '"': INCH_M,
}  # fmt: skip
"""Metres in one of each."""

LONGEST = 40
"""Characters of the longest input that is looked at."""

STEEP = Fraction(1, 5)
"""A bare ratio steeper than this is refused: people write batters run first and falls rise first."""

_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_SIGNS = str.maketrans("−–′’‘″”“⁄", "--'''\"\"\"/")
_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_MIXED = rf"(?:\d+\s*[ -]\s*\d+/\d+|\d+/\d+|{_NUMBER})"
_FEET_INCHES = re.compile(
    rf"(?P<feet>{_NUMBER})\s*(?:'|ft|feet|foot)\s*-?\s*(?P<inches>{_MIXED})\s*(?:\"|in|inch|inches)?"
)
_ONE = re.compile(rf"(?P<value>{_MIXED})\s*(?P<unit>[a-z]+|'|\")?")
_RATIO = re.compile(
    rf"(?P<a>{_MIXED})\s*(?P<an>[hv])?\s*:\s*(?P<b>{_MIXED})\s*(?P<bn>[hv])?\s*(?P<tag>h:v|v:h)?"
)
_IN = re.compile(rf"(?P<a>{_NUMBER})\s*in\s*(?P<b>{_NUMBER})")
_PER = re.compile(
    rf"(?P<value>{_MIXED})\s*(?P<top>mm|cm|in|inch|inches|ft|m|\")\s*(?:/|per)\s*(?P<bottom>m|ft|foot|'|100\s*ft)"
)
_ANGLE = re.compile(rf"(?P<value>{_MIXED})\s*(?:deg|degree|degrees|°)")
_PERCENT = re.compile(rf"(?P<value>{_MIXED})\s*(?P<unit>%|percent|per cent|‰|permille|per mille|per mil)")


def parse_length(text: str, bare: str | None = None) -> float:
    """A length as people type it, in m.

    Args:
        text: such as "-1.2m", "-1,2 m", "1200 mm", "4' 3 1/2\\"", "3 ft 11 1/4 in".
        bare: unit of a number without one; None refuses it.

    Raises:
        InputError: it is no length, or could be meant in more than one way.
    """
    plain, sign = _plain(text)
    both = _FEET_INCHES.fullmatch(plain)
    if both:
        feet, inches = _number(both["feet"], text), _number(both["inches"], text)
        if inches >= 12:
            carried = format_length(float(feet * FOOT_M + inches * INCH_M), "ft-in-16")
            raise InputError(
                f'"{text}": inches beside feet stay below 12; if it is meant so, write {carried}'
            )
        if feet.denominator != 1:
            raise InputError(f'"{text}": feet beside inches are whole; write either feet or feet and inches')
        return float(sign * (feet * FOOT_M + inches * INCH_M))
    one = _ONE.fullmatch(plain)
    if one is None:
        raise InputError(f'"{text}" is no length; write it like -1.2 m, 1200 mm, 3.94 ft or 3\' 11 1/4"')
    value, unit = _number(one["value"], text), one["unit"] or bare
    if unit is None:
        shown = one["value"]
        raise InputError(f'"{text}" has no unit: {shown} m, {shown} ft or {shown} mm?')
    if unit not in LENGTHS:
        raise InputError(f'"{text}": "{unit}" is no unit of length known here; m, mm, cm, ft and in are')
    return float(sign * value * LENGTHS[unit])


def parse_grade(text: str) -> float:
    """A grade as people type it: rise over run, signed.

    Args:
        text: such as "2%", "-0.5 %", "1:100", "1 in 60", "1/4 in/ft", "5 ‰", "1.5 deg", "1V:2H",
            "1 1/2:1 H:V"; "falling" before it, or a minus sign, makes it negative.

    Raises:
        InputError: it is no grade, or could be meant in more than one way.
    """
    plain, sign = _plain(text)
    for word, factor in (("falling ", -1), ("falls ", -1), ("rising ", 1), ("rises ", 1)):
        if plain.startswith(word):
            plain = plain[len(word) :].strip()
            if sign < 0 or plain.startswith(("-", "+")):
                amount = plain.lstrip("+-").strip()
                raise InputError(
                    f'"{text}" says its direction twice; write "rising {amount}" or "falling {amount}"'
                )
            sign = factor
    if match := _PERCENT.fullmatch(plain):
        per = 100 if match["unit"] in ("%", "percent", "per cent") else 1000
        return float(sign * _number(match["value"], text) / per)
    if match := _ANGLE.fullmatch(plain):
        degrees = float(_number(match["value"], text))
        if degrees >= 90.0:
            raise InputError(f'"{text}": a grade is below 90 degrees')
        return sign * math.tan(math.radians(degrees))
    if match := _PER.fullmatch(plain):
        bottom = Fraction(100) * FOOT_M if match["bottom"].startswith("100") else LENGTHS[match["bottom"]]
        return float(sign * _number(match["value"], text) * LENGTHS[match["top"]] / bottom)
    if match := _IN.fullmatch(plain):
        return float(sign * _over(_number(match["a"], text), _number(match["b"], text), text))
    if match := _RATIO.fullmatch(plain):
        return float(sign * _ratio(match, text))
    if re.fullmatch(_MIXED, plain):
        raise InputError(f'"{text}" has no unit: {plain} %, 1:{plain}, {plain} deg or {plain} per mille?')
    raise InputError(
        f'"{text}" is no grade; write it like 2%, 1:100, 1 in 60, 1/4 in/ft, 5 per mille or 1V:2H'
    )


def format_length(metres: float, unit: LengthUnit = "m") -> str:
    """A length as people read it: 1.234 m, 1234 mm, 4.05 ft, or feet, inches and eighths or sixteenths.

    Fractions are rounded half up by magnitude, and a full inch or foot is carried on.
    """
    exact = Fraction(Decimal(repr(float(metres))))
    if unit == "m":
        return f"{_rounded(exact, 3)} m"
    if unit == "mm":
        return f"{_rounded(exact * 1000, 0)} mm"
    if unit == "ft":
        return f"{_rounded(exact / FOOT_M, 2)} ft"
    parts = 8 if unit == "ft-in-8" else 16
    total = _half_up(abs(exact) / INCH_M * parts)
    feet, rest = divmod(total, 12 * parts)
    inches, part = divmod(rest, parts)
    fraction = Fraction(part, parts)
    tail = f" {fraction}" if part else ""
    sign = "-" if exact < 0 and total else ""
    return f"{sign}{feet}' {inches}{tail}\""


def format_grade(grade: float, unit: GradeUnit = "%") -> str:
    """A grade (rise over run) as people read it; a ratio says which side is the rise."""
    exact = Fraction(Decimal(repr(float(grade))))
    if unit == "%":
        return f"{_rounded(exact * 100, 2)} %"
    if unit == "permille":
        return f"{_rounded(exact * 1000, 1)} ‰"
    if unit == "deg":
        return f"{math.degrees(math.atan(grade)):.2f}°"
    if unit == "in/ft":
        return f"{_rounded(exact * 12, 3)} in/ft"
    if exact == 0:
        return "level"
    sign, steepness = ("-" if exact < 0 else ""), _rounded(1 / abs(exact), 2).rstrip("0").rstrip(".")
    return f"{sign}1:{steepness} (rise:run)" if unit == "1:n" else f"{sign}{steepness}:1 (run:rise)"


def signed_mm(metres: float) -> str:
    """A difference in whole millimetres with its sign, without a minus before nothing: +12, -3, 0."""
    whole = round(metres * 1000.0)
    return f"{whole:+d}" if whole else "0"


def _plain(text: str) -> tuple[str, int]:
    """Lower case, plain signs and fractions, without the leading sign, and that sign."""
    if len(text) > LONGEST:
        raise InputError(f'"{text[:LONGEST]}…" is too long to be a length or a grade')
    plain = text.strip().lower()
    for sign, fraction in _VULGAR.items():
        plain = plain.replace(sign, f" {fraction}")
    plain = re.sub(r"\s+", " ", plain.translate(_SIGNS).replace("''", '"')).strip()
    if plain[:1] in ("-", "+"):
        return plain[1:].strip(), -1 if plain[0] == "-" else 1
    return plain, 1


def _number(text: str, whole: str) -> Fraction:
    """A decimal (point or comma), a fraction or a mixed number.

    Raises:
        InputError: division by zero, or a comma that may separate thousands or decimals.
    """
    text = text.strip()
    if "/" in text:
        head, _, tail = re.sub(r"[ -]+", " ", text).rpartition(" ")
        top, bottom = tail.split("/")
        if int(bottom) == 0:
            raise InputError(f'"{whole}": nothing can be divided by zero')
        return (Fraction(int(head)) if head else Fraction(0)) + Fraction(int(top), int(bottom))
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", text):
        dotted, joined = text.replace(",", "."), text.replace(",", "")
        raise InputError(f'"{whole}": {text} can be read as {dotted} or as {joined}; write it with a point')
    return Fraction(Decimal(text.replace(",", ".")))


def _over(top: Fraction, bottom: Fraction, text: str) -> Fraction:
    if bottom == 0:
        raise InputError(f'"{text}": the run of a ratio is not zero')
    return top / bottom


def _ratio(match: re.Match[str], text: str) -> Fraction:
    a, b = _number(match["a"], text), _number(match["b"], text)
    first, second, tag = match["an"], match["bn"], match["tag"]
    if tag:
        first, second = tag.split(":")
    if first and second and first == second:
        raise InputError(f'"{text}": one side of the ratio is H, the other V')
    if first or second:
        vertical_first = first == "v" or second == "h"
        return _over(a, b, text) if vertical_first else _over(b, a, text)
    if a == 0 or b == 0:
        raise InputError(f'"{text}": neither side of a ratio is zero; a level target is "0%"')
    flat, steep = min(a, b) / max(a, b), max(a, b) / min(a, b)
    if flat > STEEP:
        raise InputError(
            f'"{text}" can be meant as {match["a"]}V:{match["b"]}H ({float(a / b * 100):.4g} %) or as '
            f"{match['a']}H:{match['b']}V ({float(b / a * 100):.4g} %); write which side is vertical"
            if flat != steep
            else f'"{text}": write it as 100 % or 45 deg'
        )
    return flat


def _half_up(value: Fraction) -> int:
    """The nearest whole number of a value that is not negative, halves upwards."""
    return math.floor(value + Fraction(1, 2))


def _rounded(value: Fraction, places: int) -> str:
    scaled = _half_up(abs(value) * 10**places)
    whole, part = divmod(scaled, 10**places)
    sign = "-" if value < 0 and scaled else ""
    return f"{sign}{whole}.{part:0{places}d}" if places else f"{sign}{whole}"


def table_cell(value: object) -> str:
    """A value as it stands in a table: metres to the millimetre, nothing for what is not known."""
    if value is None:
        return ""
    if isinstance(value, float):
        text = f"{value:.3f}"
        return "0.000" if text == "-0.000" else text
    return str(value)


def csv_cell(value: object) -> str:
    """The same for a spreadsheet, which takes no text for a formula that an apostrophe leads."""
    text = table_cell(value)
    return "'" + text if isinstance(value, str) and text[:1] in ("=", "+", "-", "@") else text
