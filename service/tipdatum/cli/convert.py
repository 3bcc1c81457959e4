"""`tipdatum convert`: a length or a grade in the other units, as the service reads and writes them."""

from __future__ import annotations

from typing import Annotated, get_args

import typer

from tipdatum.cli.options import Json, print_json
from tipdatum.errors import InputError
from tipdatum.grade.units import (
    GradeUnit,
    LengthUnit,
    format_grade,
    format_length,
    parse_grade,
    parse_length,
)


def convert(
    text: Annotated[str, typer.Argument(help='Such as "4\' 3 1/2\\"", "1.2 m", "1/4 in/ft", "1:100", "2%".')],
    as_json: Json = False,
) -> None:
    """Print a length or a grade in every unit known here."""
    quantity, forms = converted(text)
    if as_json:
        print_json({**quantity, "written": forms})
    else:
        typer.echo("\n".join(dict.fromkeys(forms.values())))


def converted(text: str) -> tuple[dict[str, float], dict[str, str]]:
    """The quantity in SI under its key (`length_m`; `grade`, rise over run), and in all units by their names.

    Raises:
        InputError: it is neither a length nor a grade, or could be meant in more than one way.
    """
    try:
        length = parse_length(text)
    except InputError as not_a_length:
        try:
            grade = parse_grade(text)
        except InputError as not_a_grade:
            about_grade = any(sign in text for sign in (":", "%", "‰", "°")) or "per" in text
            raise (not_a_grade if about_grade else not_a_length) from None
        return {"grade": grade}, {unit: format_grade(grade, unit) for unit in get_args(GradeUnit)}
    return {"length_m": length}, {unit: format_length(length, unit) for unit in get_args(LengthUnit)}
