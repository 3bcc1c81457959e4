"""Tables of plain values: one mapping a row, the same columns in each, numbers as numbers.

They are shown in a terminal, printed as JSON, and written as CSV or Parquet by the ending of the file's name
(.csv.gz: packed).
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from tipdatum.errors import InputError
from tipdatum.results import result_file, write_text

if TYPE_CHECKING:
    from rich.table import Table

Row: TypeAlias = Mapping[str, Any]
Rows: TypeAlias = Sequence[Row]

_NUMBER = re.compile(r"-?(?:0|[1-9]\d*)(?:\.\d+)?")


def rows_of(text: str) -> list[dict[str, Any]]:
    """Rows of a CSV text with one head line; lines that begin with # are left out, numbers become numbers."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return [{key: _plain(cell) for key, cell in row.items()} for row in csv.DictReader(lines)]


def grid(rows: Rows, title: str = "") -> Table:
    """The table for a terminal; what is not known is left empty."""
    from rich import box  # here: a replay writes tables and shows none
    from rich.table import Table

    table = Table(title=title or None, title_justify="left", box=box.SIMPLE_HEAD)
    heads = list(rows[0]) if rows else []
    for head in heads:
        numbers = all(isinstance(row[head], (int, float)) or row[head] is None for row in rows)
        table.add_column(head, justify="right" if numbers else "left", overflow="fold")
    for row in rows:
        table.add_row(*(_shown(row[head]) for head in heads))
    return table


def csv_text(rows: Rows) -> str:
    """The table as CSV: a head line, points as decimal signs, nothing where a value is not known."""
    out = io.StringIO()
    if rows:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows([{key: _cell(value) for key, value in row.items()} for row in rows])
    return out.getvalue()


def write_table(target: Path, rows: Rows) -> None:
    """Write the table as Parquet where the name ends in .parquet, otherwise as CSV.

    In Parquet a column where nothing is known is one of numbers: the deviation in a dig without a target has
    the type that it has in others, so that many files are read as one table.

    Raises:
        InputError: it cannot be written; Parquet is asked for and pyarrow is not there.
    """
    if target.suffix != ".parquet":
        with result_file(target) as out:
            out.write(csv_text(rows).encode())
        return
    demand_table_writer(target)
    import pyarrow
    from pyarrow import parquet

    known = {key: [_known(row[key]) for row in rows] for key in (rows[0] if rows else ())}
    columns = {
        key: pyarrow.array(column, None if any(cell is not None for cell in column) else pyarrow.float64())
        for key, column in known.items()
    }
    with result_file(target) as out:
        parquet.write_table(pyarrow.table(columns), out)


def write_both(folder: Path, name: str, head: Sequence[str], cells: Sequence[Sequence[str]]) -> None:
    """Write a table of texts into the folder as CSV and, where pyarrow is there, as Parquet beside it.

    The CSV has the texts as they are. In Parquet a column whose cells are all plain numbers or empty holds
    numbers with decimals, any other column texts; an empty cell is null.

    Raises:
        InputError: it cannot be written.
    """
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *cells])
    write_text(folder / f"{name}.csv", out.getvalue())
    if parquet_is_here() and cells:
        columns = [_typed(column) for column in zip(*cells, strict=True)]
        rows = [dict(zip(head, row, strict=True)) for row in zip(*columns, strict=True)]
        write_table(folder / f"{name}.parquet", rows)


def demand_table_writer(target: Path) -> None:
    """To be asked before the work whose result the table is.

    Raises:
        InputError: Parquet is asked for and pyarrow is not there.
    """
    if target.suffix == ".parquet" and not parquet_is_here():
        raise InputError(f"{target}: Parquet needs the package pyarrow (pip install pyarrow); or write .csv")


def is_table(target: Path) -> bool:
    """Whether a result of this name is one for `write_table`."""
    return target.name.endswith((".csv", ".csv.gz", ".parquet"))


def parquet_is_here() -> bool:
    """Whether tables can be written as Parquet on this computer."""
    from importlib.util import find_spec

    return find_spec("pyarrow") is not None


def _typed(column: Sequence[str]) -> list[Any]:
    found = [_NUMBER.fullmatch(cell) for cell in column if cell]
    if None in found:
        return [cell or None for cell in column]
    return [float(cell) if cell else None for cell in column]


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _cell(value: Any) -> Any:
    value = _known(value)
    return "" if value is None else str(value).lower() if isinstance(value, bool) else value


def _shown(value: Any) -> str:
    return str(_cell(value))


def _plain(cell: str) -> Any:
    if cell in ("", "true", "false"):
        return {"": None, "true": True, "false": False}[cell]
    for kind in (int, float):
        try:
            return kind(cell)
        except ValueError:
            continue
    return cell
