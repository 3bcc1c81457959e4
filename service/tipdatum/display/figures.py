"""The figures of the terminal view as lines of text."""

from __future__ import annotations

import textwrap
from typing import Any

from rich.text import Text

from tipdatum.display.digits import big

DIM, FIGURE, CARE = "bright_black", "bold bright_white", "bold yellow"
COARSE_FROM_M, FINE_TO_M = 0.05, 0.03
"""Sigma above which millimetres would be a pretence, and below which they come back, m."""
ON_GRADE_M = 0.01
"""Size below which a deviation is called on grade where no tolerance is set (common practice, no source)."""
LARGE_FROM_ROWS = 13
"""Rows that elevation, deviation and one reason need with large figures; reach and corners may fall off."""
ABOVE, BELOW = "above target, lower", "below target, raise"


def number(value: Any) -> float | None:
    """`value` if it is a number, else None: what comes in was written by whoever may publish."""
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def word(value: Any) -> str:
    """`value` as a text without control characters: a terminal obeys those."""
    return "".join(c if c.isprintable() else " " for c in str(value if value is not None else ""))


def texts(value: Any) -> list[str]:
    """`value` as a list of such texts."""
    return [word(text) for text in value] if isinstance(value, list) else []


def fine(sigma: Any, before: bool) -> bool:
    """Whether a figure is shown to the millimetre rather than to the centimetre; does not flicker."""
    if (value := number(sigma)) is None:
        return before
    return value < (COARSE_FROM_M if before else FINE_TO_M)


def block(
    tip: dict[str, Any],
    state: dict[str, Any],
    trouble: str,
    *,
    rows: int,
    columns: int,
    fine: bool,
    base: str,
) -> list[Text]:
    """Elevation, deviation, sigma, quality and reasons; with `trouble` its words instead of every figure.

    Args:
        rows, columns: room there is; figures are three lines high where they can be.
        fine: millimetres rather than centimetres. base: the machine's topics begin with it.
    """
    if trouble:
        return [Text(" Tip elevation", DIM), *_large(None, fine, rows), *_wrapped(trouble, CARE, columns)]
    lines = [Text(" Tip elevation", DIM), *_large(number(tip.get("elevation_m")), fine, rows)]
    sigma = number(tip.get("sigma_m"))
    quality = word(tip.get("quality"))
    lines.append(
        Text.assemble(
            (f" ± {_metres(sigma, fine)}" if sigma is not None else " ± –", "bright_white"),
            ("  1σ   ", DIM),
            (quality, "bright_white" if quality == "good" else CARE),
        )
    )
    for reason in texts(tip.get("reasons")):
        lines += _wrapped(reason, CARE, columns)
    lines += [
        Text(),
        Text(" Deviation from target", DIM),
        *_deviation(tip, state, fine, rows, columns, base),
        Text(),
    ]
    for name, key in (("reach", "reach_m"), ("left corner", "left_m"), ("right corner", "right_m")):
        lines.append(Text.assemble((f" {name:<13}", DIM), _metres(tip.get(key), fine)))
    return lines


def sensor_line(name: str, health: dict[str, Any], width: int, *, known: bool = True) -> Text:
    """One sensor's health: name, state, rate, what is wrong; with `known` false only that it is not known."""
    if not known:
        return Text.assemble(f" {word(name):<10}", ("not known", DIM))
    state, rate, counts = word(health.get("state")), number(health.get("rate_hz")), health.get("faults")
    faults = sum(v for v in counts.values() if isinstance(v, int)) if isinstance(counts, dict) else 0
    line = Text.assemble(
        f" {word(name):<10}",
        (f"{state:<8}", "bright_white" if state == "ok" else CARE),
        (f"{rate:6.1f} Hz  " if rate is not None else "     – Hz  ", DIM),
        (_bracket(health), DIM),
        (f"{faults} fault{'s' if faults > 1 else ''} counted  " if faults else "", DIM),
        (word(health.get("text")), CARE),
    )
    line.truncate(width, overflow="ellipsis")
    return line


def _bracket(health: dict[str, Any]) -> str:
    """How a sensor agrees with the others, what shakes it, and how much of that is clipped."""
    ratio, shaken = number(health.get("test_ratio")), number(health.get("vibration_mps2"))
    clipped = number(health.get("clipped_share"))
    line = "" if ratio is None else f"ratio {ratio:4.2f}  "
    line += "" if shaken is None else f"shaken {shaken:3.1f} m/s²  "
    return line + (f"clipped {100 * clipped:.1f} %  " if clipped else "")


def sensors_summary(health: dict[str, dict[str, Any]], width: int, *, known: bool) -> Text:
    """All sensors in one line, for a terminal that has no room for one each."""
    poor = [name for name, message in sorted(health.items()) if message.get("state") != "ok"]
    if not known:
        line = Text(" sensors not known", DIM)
    elif poor:
        line = Text(f" not ok: {word(', '.join(poor))}", CARE)
    else:
        line = Text(f" {len(health)} sensors ok")
    line.truncate(width, overflow="ellipsis")
    return line


def one_line(tip: dict[str, Any], trouble: str, *, fine: bool = True) -> str:
    """The figures in one line of plain text, for a log or a terminal that cannot draw."""
    if trouble:
        return f"elevation –  ({trouble})"
    time, elevation, deviation = word(tip.get("time")), tip.get("elevation_m"), number(tip.get("deviation_m"))
    words = [f"{time}  elevation {_metres(elevation, fine)} ± {_metres(tip.get('sigma_m'), fine)}"]
    words.append(word(tip.get("quality")))
    if deviation is not None:
        told = _told(tip, deviation)
        words.append(f"{_metres(abs(deviation), fine)} {told}" if told != "on grade" else told)
    elif tip.get("datum") != "set":
        words.append(
            {"none": "no reference set", "doubtful": "reference in doubt"}.get(str(tip.get("datum")), "")
        )
    return "  ".join(words + [f"({reason})" for reason in texts(tip.get("reasons"))])


def deviation_words(deviation: float, sigma: float | None, judgement: str = "") -> str:
    """Direction of a deviation in words, and no more than sigma allows: "above target, lower".

    Args:
        deviation, sigma: m. judgement: the service's own, where a tolerance is set.
    """
    if judgement == "cannot judge":
        return "cannot judge: 2σ exceeds the tolerance"
    if judgement in ("above", "below", "on grade"):
        return {"above": ABOVE, "below": BELOW}.get(judgement, judgement)
    uncertain = sigma is not None and abs(deviation) < sigma
    if abs(deviation) < ON_GRADE_M:
        return "near target, within 1σ" if uncertain and sigma and sigma > ON_GRADE_M else "on grade"
    if uncertain:
        return f"{'above' if deviation > 0 else 'below'} target, by less than 1σ"
    return ABOVE if deviation > 0 else BELOW


def _told(tip: dict[str, Any], deviation: float) -> str:
    return deviation_words(deviation, number(tip.get("sigma_m")), word(tip.get("judgement")))


def _deviation(
    tip: dict[str, Any], state: dict[str, Any], fine: bool, rows: int, columns: int, base: str
) -> list[Text]:
    deviation = number(tip.get("deviation_m"))
    if deviation is not None:
        words = _told(tip, deviation)
        return [*_large(deviation, fine, rows, sign=True), *_wrapped(words, FIGURE, columns)]
    if tip.get("datum") == "none":
        how = f'no reference set; publish {{"elevation_m": 0}} to {base}/command/datum/set'
        return _wrapped(how, DIM, columns)
    if tip.get("datum") == "doubtful":
        doubts = [line for reason in texts(state.get("reasons")) for line in _wrapped(reason, CARE, columns)]
        return [*_wrapped("reference in doubt: withheld", CARE, columns), *doubts]
    return [Text(" no target set" if not state.get("target") else " not known", DIM)]


def _large(value: float | None, fine: bool, rows: int, *, sign: bool = False) -> list[Text]:
    """A figure three lines high, or one line where rows are few."""
    if value is None:
        return [Text(), Text(" —", FIGURE), Text()] if rows >= LARGE_FROM_ROWS else [Text(" —", FIGURE)]
    figure = f"{value:{'+' if sign else ''}.{3 if fine else 2}f}"
    if float(figure) == 0.0:
        figure = figure.lstrip("+-")
    if rows < LARGE_FROM_ROWS or len(figure) > 7:
        return [Text(f" {figure} m", FIGURE)]
    return [Text(f" {line}", FIGURE) for line in big(f"{figure} m")]


def _metres(value: Any, fine: bool) -> str:
    return "–" if (known := number(value)) is None else f"{known:.{3 if fine else 2}f} m"


def _wrapped(text: str, style: str, columns: int) -> list[Text]:
    return [Text(f" {line}", style) for line in textwrap.wrap(text, max(8, columns - 2))]
