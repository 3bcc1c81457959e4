"""The figures of the terminal view as lines of text."""

from __future__ import annotations

from typing import Any

from rich.text import Text

from tipdatum.display.digits import big

DIM, FIGURE, CARE = "bright_black", "bold bright_white", "bold yellow"
COARSE_FROM_M, FINE_TO_M = 0.05, 0.03
"""Sigma above which millimetres would be a pretence, and below which they come back, m."""
ON_GRADE_M = 0.01
"""Size below which a deviation is called on grade (common practice in earthwork, no source)."""


def fine(sigma: Any, before: bool) -> bool:
    """Whether a figure is shown to the millimetre rather than to the centimetre; does not flicker."""
    if not isinstance(sigma, (int, float)):
        return before
    return sigma < (COARSE_FROM_M if before else FINE_TO_M)


def block(
    tip: dict[str, Any], state: dict[str, Any], trouble: str, rows: int, *, fine: bool, machine_id: str | None
) -> list[Text]:
    """Elevation, deviation, sigma, quality and reasons; with `trouble` its words instead of every figure."""
    if trouble:
        return [Text(" Tip elevation", DIM), *_large(None, fine, rows), Text(f" {trouble}", CARE)]
    lines = [Text(" Tip elevation", DIM), *_large(tip.get("elevation_m"), fine, rows)]
    sigma = tip.get("sigma_m")
    quality = str(tip.get("quality", ""))
    lines.append(
        Text.assemble(
            (f" ± {_metres(sigma, fine)}" if sigma is not None else " ± –", "bright_white"),
            ("  1σ   ", DIM),
            (quality, "bright_white" if quality == "good" else CARE),
        )
    )
    lines += [Text(f" {reason}", CARE) for reason in tip.get("reasons") or []]
    lines += [
        Text(),
        Text(" Deviation from target", DIM),
        *_deviation(tip, state, fine, rows, machine_id),
        Text(),
    ]
    for name, key in (("reach", "reach_m"), ("left corner", "left_m"), ("right corner", "right_m")):
        lines.append(Text.assemble((f" {name:<13}", DIM), _metres(tip.get(key), fine)))
    return lines


def sensor_line(name: str, health: dict[str, Any], width: int, *, known: bool = True) -> Text:
    """One sensor's health: name, state, rate, what is wrong; with `known` false only that it is not known."""
    if not known:
        return Text.assemble(f" {name:<10}", ("not known", DIM))
    state, rate = str(health.get("state", "")), health.get("rate_hz")
    faults = sum(v for v in (health.get("faults") or {}).values() if isinstance(v, int))
    line = Text.assemble(
        f" {name:<10}",
        (f"{state:<8}", "bright_white" if state == "ok" else CARE),
        (f"{rate:6.1f} Hz  " if isinstance(rate, (int, float)) else "     – Hz  ", DIM),
        (f"{faults} fault{'s' if faults > 1 else ''} counted  " if faults else "", DIM),
        (str(health.get("text") or ""), CARE),
    )
    line.truncate(width, overflow="ellipsis")
    return line


def one_line(tip: dict[str, Any], trouble: str, *, fine: bool = True) -> str:
    """The figures in one line of plain text, for a log or a terminal that cannot draw."""
    if trouble:
        return f"elevation –  ({trouble})"
    time, elevation, deviation = tip.get("time", ""), tip.get("elevation_m"), tip.get("deviation_m")
    words = [f"{time}  elevation {_metres(elevation, fine)} ± {_metres(tip.get('sigma_m'), fine)}"]
    words.append(str(tip.get("quality", "")))
    if deviation is not None:
        words.append(" ".join(deviation_words(deviation, fine)))
    elif tip.get("datum") != "set":
        words.append(
            {"none": "no reference set", "doubtful": "reference in doubt"}.get(str(tip.get("datum")), "")
        )
    return "  ".join(words + [f"({reason})" for reason in tip.get("reasons") or []])


def deviation_words(deviation: float, fine: bool = True) -> tuple[str, str]:
    """Amount and direction of a deviation in words: ("0.034 m", "above grade, to cut")."""
    if abs(deviation) < ON_GRADE_M:
        return _metres(abs(deviation), fine), "on grade"
    return _metres(abs(deviation), fine), "above grade, to cut" if deviation > 0 else "below grade, over-dug"


def _deviation(
    tip: dict[str, Any], state: dict[str, Any], fine: bool, rows: int, machine_id: str | None
) -> list[Text]:
    deviation = tip.get("deviation_m")
    if deviation is not None:
        _, words = deviation_words(deviation, fine)
        return [*_large(deviation, fine, rows, sign=True), Text(f" {words}", FIGURE)]
    datum = tip.get("datum")
    if datum == "none":
        return [
            Text(" no reference set; to set one, publish", DIM),
            Text(f"  {machine_id}/command/datum/set", DIM),
            Text('  {"elevation_m": 0}', DIM),
        ]
    if datum == "doubtful":
        return [Text(" reference in doubt: withheld", CARE)] + [
            Text(f" {reason}", CARE) for reason in state.get("reasons") or []
        ]
    return [Text(" no target set" if not state.get("target") else " not known", DIM)]


def _large(value: Any, fine: bool, rows: int, *, sign: bool = False) -> list[Text]:
    """A figure three lines high, or one line where rows are few."""
    if value is None:
        return [Text(), Text(" —", FIGURE), Text()] if rows >= 16 else [Text(" —", FIGURE)]
    number = f"{value:+.{3 if fine else 2}f}" if sign else f"{value:.{3 if fine else 2}f}"
    if float(number) == 0.0:
        number = number.lstrip("+-")
    if rows < 16 or len(number) > 7:
        return [Text(f" {number} m", FIGURE)]
    return [Text(f" {line}", FIGURE) for line in big(f"{number} m")]


def _metres(value: Any, fine: bool) -> str:
    return f"{value:.{3 if fine else 2}f} m" if isinstance(value, (int, float)) else "–"
