"""The report of a calibration as one HTML file: no network, no script, fit for a phone, a screen and paper.

What nothing checks stands in red and says so in words: whoever prints it in black and white, or does not see
red, reads the same.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from html import escape

import numpy as np

from tipdatum import __version__
from tipdatum.display.calibration.account import Account, Dimension, Judgement, Stand
from tipdatum.display.calibration.drawings import KEY, posture, residuals
from tipdatum.display.report.page import STYLE
from tipdatum.display.report.tables import ReportTable
from tipdatum.display.report.words import Words
from tipdatum.svg import DEFS

STYLE_MORE = """
.red { color: #9c1717; }
.unchecked { border: 2px dashed #9c1717; padding: 6px 14px 8px; margin: 0 0 14px; }
.unchecked h3, .aside h3 { margin: 4px 0; font-size: 1rem; }
.unchecked dt { font-weight: 650; margin-top: 6px; } .unchecked dd, .aside dd { margin: 0; max-width: 74ch; }
.aside { border: 2px solid #15201d; padding: 6px 14px 8px; margin: 0 0 14px; }
.aside dt { font-weight: 650; margin-top: 6px; }
.verdict.accepted .word { background: #15201d; color: #fbfaf4; margin: -6px -14px 6px; padding: 4px 14px; }
.verdict.refused { border-bottom: 10px double #15201d; }
.verdict.doubtful { border-style: dashed; }
.postures { display: grid; grid-template-columns: repeat(auto-fill, minmax(230px, 1fr)); gap: 14px 18px; }
.postures figure { margin: 0; }
.postures svg { display: block; width: 100%; height: auto; }
#whole, label[for=whole] { display: none; }
@media screen and (max-width: 620px) { label[for=whole] { display: block; border: 1.5px solid #15201d;
  padding: 12px; margin: 8px 0; font-weight: 650; }
  #whole { display: inline; position: absolute; opacity: 0; }
  #whole:focus-visible + label { outline: 3px solid; }
  #whole:not(:checked) ~ .whole { display: none; } }
@media print { .verdict.accepted .word { background: none; color: inherit; margin: 0; padding: 0;
  text-decoration: underline; } .postures { grid-template-columns: repeat(3, 1fr); } }
"""


def sheet(account: Account, words: Words) -> str:
    """The whole file.

    Args:
        words: language and units.
    """
    title = words("calibration.title", name=account.machine)
    parts = [
        f"<h1>{escape(title)}</h1>",
        _head(account, words),
        _verdict(account, words),
        f'<p class="caution">{escape(words("report.caution"))}</p>',
        _unchecked(account, words),
        _aside(account, words),
        _residuals(account, words),
        _postures(account, words),
        _table(account, words),
        _dimensions(account.dimensions, words),
        _next(account, words),
        _notes(account.notes, words),
        f'<p class="quiet">{escape(words("report.written-by", version=__version__))}</p>',
    ]
    return (
        f'<!doctype html>\n<html lang="{words.say.language}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}{STYLE_MORE}</style></head><body>{DEFS}<main>"
        + "\n".join(part for part in parts if part)
        + "</main></body></html>\n"
    )


def _mm(metres: float, words: Words, places: int = 1) -> str:
    return "–" if math.isnan(metres) else f"{words.number(1000 * metres, places)} mm"


def _head(account: Account, words: Words) -> str:
    aside = sum(j.state == "set aside" for j in account.judgements)
    unchecked = sum(j.state == "unchecked" for j in account.judgements)
    tip = words(
        "calibration.tip.value", rms=_mm(account.tip_rms_m, words), worst=_mm(account.tip_worst_m, words)
    )
    rows = [
        ("calibration.date", account.date),
        ("calibration.tip", tip),
        (
            "calibration.observations",
            words(
                "calibration.observations.value",
                n=len(account.judgements), aside=aside, unchecked=unchecked, degrees=account.degrees,
            ),
        ),
        ("calibration.factor", words.number(account.factor, 2)),
        ("calibration.file", words(f"calibration.file.{'written' if account.written else 'not'}")),
    ]  # fmt: skip
    if account.acceptance is not None:
        points, rms, half = account.acceptance
        text = words("calibration.acceptance.value", n=points, rms=_mm(rms, words), half=_mm(half, words))
        rows.insert(2, ("calibration.acceptance", text))
    listed = "".join(f"<dt>{escape(words(key))}</dt><dd>{escape(text)}</dd>" for key, text in rows)
    return f'<dl class="block">{listed}</dl>'


def _verdict(account: Account, words: Words) -> str:
    word = words(f"calibration.verdict.{account.verdict}")
    meaning = words(f"calibration.verdict.{account.verdict}.meaning")
    settle = (
        f"<p>{escape(words('calibration.settle'))}</p>{_list(account.settle, words)}"
        if account.settle
        else ""
    )
    return (
        f'<div class="verdict {account.verdict}"><p class="word">{escape(word)}</p><p>{escape(meaning)}</p>'
        f"{_list(account.reasons, words)}{settle}</div>"
    )


def _list(texts: Sequence[str], words: Words) -> str:
    if not texts:
        return ""
    return "<ul>" + "".join(f"<li>{escape(words.sentence(text))}</li>" for text in texts) + "</ul>"


def _unchecked(account: Account, words: Words) -> str:
    found = [j for j in account.judgements if j.state == "unchecked"]
    if not found:
        return ""
    found.sort(key=lambda j: -j.moves_m)

    def moves(j: Judgement) -> str:
        return words("calibration.unchecked.moves", by=_mm(j.moves_m, words))

    listed = "".join(
        f"<dt>{escape(j.id)}</dt><dd>{escape(moves(j))} {escape(words.sentence(j.why))}</dd>"
        for j in found
        if j.matters
    )
    harmless = [j for j in found if not j.matters]
    if harmless:
        names = ", ".join(j.id for j in harmless)
        most = _mm(max(j.moves_m for j in harmless), words)
        listed += (
            f"<dt>{escape(words('calibration.unchecked.harmless', by=most))}</dt><dd>{escape(names)}</dd>"
        )
    title = words("calibration.unchecked.one" if len(found) == 1 else "calibration.unchecked", n=len(found))
    return (
        f'<section class="unchecked red"><h3>{escape(title)}</h3>'
        f"<p>{escape(words('calibration.unchecked.how'))}</p><dl>{listed}</dl></section>"
    )


def _aside(account: Account, words: Words) -> str:
    found = [j for j in account.judgements if j.state == "set aside"]
    if not found:
        return ""
    listed = "".join(
        f"<dt>{escape(j.id)}</dt><dd>{escape(_without_id(words.sentence(j.why), j.id) or j.misfit)}</dd>"
        for j in found
    )
    title = words("calibration.aside", n=len(found))
    return f'<section class="aside"><h3>{escape(title)}</h3><dl>{listed}</dl></section>'


def _without_id(text: str, name: str) -> str:
    return text.removeprefix(name).removeprefix(":").strip()


def _residuals(account: Account, words: Words) -> str:
    if not account.judgements:
        return ""
    wide, slim = residuals(account, words), residuals(account, words.slim())
    caption = words("calibration.residuals.how", critical=words.number(account.critical, 1))
    return (
        f'<h2>{escape(words("calibration.residuals"))}</h2><figure><div class="wide">{wide}</div>'
        f'<div class="slim">{slim}</div><figcaption>{escape(caption)}</figcaption></figure>'
    )


def _postures(account: Account, words: Words) -> str:
    shown = [s for s in account.stands if set(s.kinds) - {"still"}]
    if not shown:
        return ""
    reach = max(abs(x) for s in shown for x, _ in s.pins)
    heights = [z for s in shown for _, z in s.pins]
    drawn = "".join(
        f"<figure>{posture(s, (-0.25 * reach, 1.04 * reach), (min(heights), max(heights)), words)}"
        f"<figcaption>{escape(_said(s, words))}</figcaption></figure>"
        for s in shown
    )
    return (
        f"<h2>{escape(words('calibration.postures'))}</h2><p>{escape(words('calibration.postures.how'))}</p>"
        f'<div class="postures">{drawn}</div>'
    )


def _said(stand: Stand, words: Words) -> str:
    kinds = ", ".join(words(f"calibration.kind.{kind}") for kind in stand.kinds)
    place = words("calibration.standing", name=stand.standing) if stand.standing else ""
    text = ". ".join(filter(None, (stand.label, ", ".join(filter(None, (place, kinds))))))
    for pins, key in ((stand.aside, "calibration.pin.aside"), (stand.unchecked, "calibration.pin.unchecked")):
        if pins:
            names = ", ".join(words(f"calibration.pin.{KEY[p]}") for p in sorted(pins))
            text += f". {words(key, pins=names)}"
    return text + "."


def _table(account: Account, words: Words) -> str:
    heads = ("observation", "noted", "misfit", "sigmas", "redundancy", "smallest", "moves", "state")
    rows = tuple(
        (
            j.id, _local(j.value, words), _local(j.misfit, words), words.number(j.sigmas, 1),
            words.number(min(j.redundancy, 1.0), 2), words.sentence(j.smallest) or "–", _mm(j.moves_m, words),
            words(f"calibration.state.{j.state.replace(' ', '-')}"),
        )
        for j in account.judgements
    )  # fmt: skip
    named = tuple(words(f"calibration.head.{h}") for h in heads)
    table = ReportTable("observations", words("calibration.table"), named, rows, frozenset({2, 3, 4, 5, 6}))
    # On a phone hundreds of lines would bury what comes after them; paper and wide screens show them.
    whole = escape(words("calibration.table.whole", n=len(rows)))
    return (
        f"<h2>{escape(words('calibration.table'))}</h2><p>{escape(words('calibration.table.how'))}</p>"
        f'<div><input type="checkbox" id="whole"><label for="whole">{whole}</label>'
        f'<div class="whole">{table.html()}</div></div>'
    )


UNITS_SHOWN = {" deg": "°", "m/s2": "m/s²"}
"""Units of the observations file → as they are printed."""


def _local(text: str, words: Words) -> str:
    """A value with its unit, its figure written as the reader's language does."""
    for told, shown in UNITS_SHOWN.items():
        text = text.replace(told, shown)

    def figure(found: re.Match[str]) -> str:
        places = len(found[0].partition(".")[2])
        sign = "+" if found[0].startswith("+") else ""
        return sign + words.number(float(found[0]), places)

    return re.sub(r"[+-]?\d+(\.\d+)?", figure, text, count=1)


def _dimensions(dimensions: Sequence[Dimension], words: Words) -> str:
    rows = []
    for d in dimensions:
        if ".accel_scale." in d.name:
            continue
        places = {"m": 4, "deg": 3}.get(d.unit, 4)
        unit = {"deg": "°"}.get(d.unit, f" {d.unit}")
        rows.append(
            (
                d.name,
                f"{words.number(d.described, places)}{unit}",
                f"{words.number(d.found, places)}{unit}",
                words.number(d.sigma, places),
                "" if d.observed else words("calibration.not-observed"),
            )
        )
    heads = ("name", "described", "found", "sigma", "told")
    table = ReportTable(
        "machine", words("calibration.machine.how"), tuple(words(f"calibration.head.{h}") for h in heads),
        tuple(rows), frozenset({1, 2, 3}),
    )  # fmt: skip
    return f"<h2>{escape(words('calibration.machine'))}</h2>{table.html()}"


def _next(account: Account, words: Words) -> str:
    texts = [
        words(
            "calibration.next.one",
            before=_mm(n.before_m, words), after=_mm(n.after_m, words), posture=n.words,
        )
        for n in account.next
        if np.isfinite(n.after_m)
    ]  # fmt: skip
    return f"<h2>{escape(words('calibration.next'))}</h2>{_list(texts, words)}" if texts else ""


def _notes(notes: Sequence[str], words: Words) -> str:
    return f"<h2>{escape(words('calibration.notes'))}</h2>{_list(notes, words)}" if notes else ""
