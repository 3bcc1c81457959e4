"""The figures of the terminal view as lines of text."""

from __future__ import annotations

import textwrap
from typing import Any

from rich.text import Text

from tipdatum.display.canvas import big
from tipdatum.display.edge_lines import edge_lines
from tipdatum.display.texts import Speech, speech

DIM, FIGURE, CARE = "bright_black", "bold bright_white", "bold yellow"
COARSE_FROM_M, FINE_TO_M = 0.05, 0.03
"""Sigma above which millimetres would be a pretence, and below which they come back, m."""
ON_GRADE_M = 0.01
"""Size below which a deviation is called on grade where no tolerance is set (common practice, no source)."""
LARGE_FROM_ROWS = 13
"""Rows that elevation, deviation and one reason need with large figures; reach and corners may fall off."""
ENGLISH = speech()


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
    say: Speech = ENGLISH,
    arm: dict[str, Any] | None = None,
) -> list[Text]:
    """Elevation, deviation, sigma, quality and reasons; with `trouble` its words instead of every figure.

    Args:
        rows, columns: room there is; figures are three lines high where they can be.
        fine: millimetres rather than centimetres. base: the machine's topics begin with it.
        say: the reader's language. arm: the arm message, where it is current.
    """
    beside = [] if trouble or not arm else edge_lines(arm, state, say)
    rows -= len(beside)
    if trouble:
        head = Text(f" {say('terminal.elevation')}", DIM)
        return [head, *_large(None, fine, rows), *_wrapped(trouble, CARE, columns)]
    lines = [
        Text(f" {say('terminal.elevation')}", DIM),
        *_large(number(tip.get("elevation_m")), fine, rows, comma=say.comma),
    ]
    sigma = number(tip.get("sigma_m"))
    quality = word(tip.get("quality"))
    lines.append(
        Text.assemble(
            (f" ± {_metres(sigma, fine, say)}" if sigma is not None else " ± –", "bright_white"),
            ("  1σ   ", DIM),
            (_quality(quality, say), "bright_white" if quality == "good" else CARE),
        )
    )
    for reason in reasons(tip, say):
        lines += _wrapped(reason, CARE, columns)
    lines += [
        Text(),
        Text(f" {say('terminal.deviation')}", DIM),
        *_deviation(tip, state, fine, rows, columns, base, say),
        *([] if beside else [Text()]),
        *(line for text in beside for line in _wrapped(text, "bright_white", columns)),
    ]
    named = ((say("terminal.reach"), "reach_m"), (say("word.left"), "left_m"), (say("word.right"), "right_m"))
    # Where the edge is to be laid over, its corners are wanted first.
    for name, key in (*named[1:], named[0]) if beside else named:
        line = Text.assemble((f" {name:<13}", DIM), _metres(tip.get(key), fine, say))
        away = number(tip.get(key.replace("_m", "_deviation_m")))
        if beside and away is not None:
            governs = tip.get("governing") == key.removesuffix("_m")
            told = ("+" if away > 0.0 else "") + _metres(away, fine, say)
            line.append(f"{told:>12}", FIGURE if governs else "bright_white")
        lines.append(line)
    return lines


def reasons(message: dict[str, Any], say: Speech) -> list[str]:
    """The reasons of a tip or state message in the reader's language."""
    return [word(text) for text in say.said_each(message.get("reasons_said"), texts(message.get("reasons")))]


def sensor_line(
    name: str, health: dict[str, Any], width: int, *, known: bool = True, say: Speech = ENGLISH
) -> Text:
    """One sensor's health: name, state, rate, what is wrong; with `known` false only that it is not known."""
    if not known:
        return Text.assemble(f" {word(name):<9} ", (say("terminal.not-known"), DIM))
    state, rate, counts = word(health.get("state")), number(health.get("rate_hz")), health.get("faults")
    faults = sum(v for v in counts.values() if isinstance(v, int)) if isinstance(counts, dict) else 0
    # Where nothing comes, the reason needs the room: a port's name is long.
    heard = rate is not None or state == "ok"
    counted = say("terminal.fault" if faults == 1 else "terminal.faults", n=faults) + "  " if faults else ""
    line = Text.assemble(
        f" {word(name):<9} ",
        (f"{_state(state, say):<8}", "bright_white" if state == "ok" else CARE),
        ("" if not heard else f"{rate:6.1f} Hz  " if rate is not None else "     – Hz  ", DIM),
        (_bracket(health, say), DIM),
        (counted if heard else "  ", DIM),
        (word(say.said(health.get("said"), word(health.get("text")))), CARE),
    )
    line.truncate(width, overflow="ellipsis")
    return line


def _quality(quality: str, say: Speech) -> str:
    return say(f"terminal.quality.{quality}") if f"terminal.quality.{quality}" in say.english else quality


def _state(state: str, say: Speech) -> str:
    # English keeps the message's own word: it is short, and what a filter of topics looks for.
    key = f"sensors.state.{state}"
    return say(key) if say.language != "en" and key in say.english else state


def _bracket(health: dict[str, Any], say: Speech) -> str:
    """How a sensor agrees with the others, what shakes it, and how much of that is clipped."""
    ratio, shaken = number(health.get("test_ratio")), number(health.get("vibration_mps2"))
    clipped = number(health.get("clipped_share"))
    parts = [
        "" if ratio is None else say("terminal.ratio", ratio=say.number(ratio, 2)),
        "" if shaken is None else say("terminal.shaken", rms=say.number(shaken, 1)),
        say("terminal.clipped", share=say.number(100 * clipped, 1)) if clipped else "",
    ]
    return "".join(f"{part}  " for part in parts if part)


def sensors_summary(
    health: dict[str, dict[str, Any]], width: int, *, known: bool, say: Speech = ENGLISH
) -> Text:
    """All sensors in one line, for a terminal that has no room for one each."""
    poor = [name for name, message in sorted(health.items()) if message.get("state") != "ok"]
    if not known:
        line = Text(f" {say('terminal.sensors-not-known')}", DIM)
    elif poor:
        line = Text(f" {say('terminal.not-ok', names=word(', '.join(poor)))}", CARE)
    else:
        line = Text(f" {say('terminal.all-ok', n=len(health))}")
    line.truncate(width, overflow="ellipsis")
    return line


def one_line(tip: dict[str, Any], trouble: str, *, fine: bool = True, say: Speech = ENGLISH) -> str:
    """The figures in one line of plain text, for a log or a terminal that cannot draw."""
    if trouble:
        return f"{say('terminal.elevation-short')} –  ({trouble})"
    time, elevation, deviation = word(tip.get("time")), tip.get("elevation_m"), number(tip.get("deviation_m"))
    sigma = _metres(tip.get("sigma_m"), fine, say)
    words = [f"{time}  {say('terminal.elevation-short')} {_metres(elevation, fine, say)} ± {sigma}"]
    words.append(_quality(word(tip.get("quality")), say))
    if deviation is not None:
        told = _told(tip, deviation, say)
        on_grade = told == say("terminal.on-grade")
        words.append(told if on_grade else f"{_metres(abs(deviation), fine, say)} {told}")
    elif tip.get("datum") == "none":
        words.append(say("terminal.no-reference"))
    elif tip.get("datum") == "doubtful":
        words.append(say("terminal.in-doubt"))
    return "  ".join(words + [f"({reason})" for reason in reasons(tip, say)])


def deviation_words(deviation: float, sigma: float | None, judgement: str = "", say: Speech = ENGLISH) -> str:
    """Direction of a deviation in words, and no more than sigma allows: "above target, lower".

    Args:
        deviation, sigma: m. judgement: the service's own, where a tolerance is set.
    """
    if judgement == "cannot judge":
        return say("terminal.cannot-judge")
    if judgement in ("above", "below", "on grade"):
        return say(f"terminal.{judgement.replace(' ', '-')}")
    uncertain = sigma is not None and abs(deviation) < sigma
    if abs(deviation) < ON_GRADE_M:
        near = uncertain and sigma and sigma > ON_GRADE_M
        return say("terminal.near" if near else "terminal.on-grade")
    side = "above" if deviation > 0 else "below"
    return say(f"terminal.less-{side}" if uncertain else f"terminal.{side}")


def _told(tip: dict[str, Any], deviation: float, say: Speech) -> str:
    return deviation_words(deviation, number(tip.get("sigma_m")), word(tip.get("judgement")), say)


def _deviation(
    tip: dict[str, Any], state: dict[str, Any], fine: bool, rows: int, columns: int, base: str, say: Speech
) -> list[Text]:
    deviation = number(tip.get("deviation_m"))
    if deviation is not None:
        words = _told(tip, deviation, say)
        return [*_large(deviation, fine, rows, sign=True, comma=say.comma), *_wrapped(words, FIGURE, columns)]
    if tip.get("datum") == "none":
        how = say("terminal.set-reference", topic=f"{base}/command/datum/set")
        return _wrapped(how, DIM, columns)
    if tip.get("datum") == "doubtful":
        doubts = [line for reason in reasons(state, say) for line in _wrapped(reason, CARE, columns)]
        return [*_wrapped(say("terminal.withheld"), CARE, columns), *doubts]
    return [Text(f" {say('terminal.not-known' if state.get('target') else 'terminal.no-target')}", DIM)]


def _large(
    value: float | None, fine: bool, rows: int, *, sign: bool = False, comma: bool = False
) -> list[Text]:
    """A figure three lines high, or one line where rows are few."""
    if value is None:
        return [Text(), Text(" —", FIGURE), Text()] if rows >= LARGE_FROM_ROWS else [Text(" —", FIGURE)]
    figure = f"{value:{'+' if sign else ''}.{3 if fine else 2}f}"
    if float(figure) == 0.0:
        figure = figure.lstrip("+-")
    if rows < LARGE_FROM_ROWS or len(figure) > 7:
        return [Text(f" {figure.replace('.', ',') if comma else figure} m", FIGURE)]
    return [Text(f" {line}", FIGURE) for line in big(f"{figure} m")]


def _metres(value: Any, fine: bool, say: Speech) -> str:
    if (known := number(value)) is None:
        return "–"
    figure = f"{known:.{3 if fine else 2}f} m"
    return figure.replace(".", ",") if say.comma else figure


def _wrapped(text: str, style: str, columns: int) -> list[Text]:
    return [Text(f" {line}", style) for line in textwrap.wrap(text, max(8, columns - 2))]
