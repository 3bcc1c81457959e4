"""A table of text as a table of plain numbers: units go into the head, or into a column of their own.

What a person reads as "−193 mm" a program wants as -193 under "[mm]". A column whose cells all have one unit
carries it in its head; a table whose rows have units of their own gets a column for them. A cell that is no
number stays as it is; one that stands for nothing known is empty. What has no heading on paper is called item
(the name of the row) or value.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_CELL = re.compile(r"([+\-−]?\d+(?:[.,]\d+)?)(?:\s?([^\d\s.,]\S*))?")
NOTHING = frozenset({"", "–", "-"})

Rows = Sequence[Sequence[str]]


def plain(head: Sequence[str], rows: Rows, numbers: frozenset[int]) -> tuple[list[str], list[list[str]]]:
    """Head and rows with plain numbers.

    Args:
        numbers: the columns that hold figures, as far as they hold any.
    """
    head = [name or ("value" if i else "item") for i, name in enumerate(head)]
    columns = numbers | {i for i, column in enumerate(zip(*rows, strict=True)) if _all_numbers(column)}
    parsed = [[_number(cell) if i in columns else None for i, cell in enumerate(row)] for row in rows]
    by_rows = any(len({one[1] for one in column if one}) > 1 for column in zip(*parsed, strict=True))
    found = [
        [_text(cell, one) for cell, one in zip(row, numbers_of_row, strict=True)]
        for row, numbers_of_row in zip(rows, parsed, strict=True)
    ]
    if not by_rows:
        units = [{one[1] for one in column if one and one[1]} for column in zip(*parsed, strict=True)]
        return [
            f"{name} [{unit.pop()}]" if unit else name for name, unit in zip(head, units, strict=True)
        ], found
    told = [next((one[1] for one in row if one and one[1]), "") for row in parsed]
    # Two units in one row cannot stand in one column: then they stay in the cells.
    for row, numbers_of_row, cells, unit in zip(rows, parsed, found, told, strict=True):
        for i, one in enumerate(numbers_of_row):
            if one and one[1] not in ("", unit):
                cells[i] = row[i].replace("−", "-")
    return [head[0], "unit", *head[1:]], [
        [row[0], unit, *row[1:]] for row, unit in zip(found, told, strict=True)
    ]


def _all_numbers(cells: Sequence[str]) -> bool:
    """Whether a column holds numbers of one unit and nothing else."""
    found = [_number(cell) for cell in cells if cell.strip() not in NOTHING]
    return bool(found) and None not in found and len({one[1] for one in found if one}) == 1


def _number(cell: str) -> tuple[str, str] | None:
    match = _CELL.fullmatch(cell.strip())
    if match is None:
        return None
    return match[1].replace("−", "-").replace(",", ".").removeprefix("+"), match[2] or ""


def _text(cell: str, number: tuple[str, str] | None) -> str:
    if number is not None:
        return number[0]
    return "" if cell.strip() in NOTHING else cell.replace("−", "-")
