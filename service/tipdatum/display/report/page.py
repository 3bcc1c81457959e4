"""The report as one HTML file: no network, no script, fit for a screen and for A4 or Letter paper."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from tipdatum import __version__
from tipdatum.display.report import charts, figures, tables
from tipdatum.display.report.run import Run
from tipdatum.display.report.svg import DEFS
from tipdatum.display.report.tables import Table
from tipdatum.display.report.units import Units

CAUTION = (
    "A record of what the machine measured, relative to the reference that was set; not a certified survey. "
    "The figures are advisory, and no safety device."
)

TIP_CAPTION = (
    "The shaded band is two sigma each way as it was published. Numbers: when the reference was set."
)

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 24px 20px 48px; max-width: 820px; background: #fbfaf4; color: #15201d;
  font: 15px/1.45 system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; }
h1 { font-size: 1.7rem; margin: 0 0 4px; }
h2 { font-size: 1.15rem; margin: 32px 0 6px; padding-top: 8px; border-top: 2px solid #15201d; }
p { margin: 4px 0 10px; max-width: 70ch; }
.said { font-size: 1.15rem; }
.quiet { color: #4a554f; fill: #4a554f; }
.caution { border: 1.5px solid #15201d; padding: 8px 12px; max-width: none; }
figure > svg { display: block; width: 100%; height: auto; overflow: visible; }
svg text { font: 11.5px system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; fill: #15201d; }
svg text.quiet { fill: #4a554f; }
svg text.halo { paint-order: stroke; stroke: #fbfaf4; stroke-width: 3px; }
figure { margin: 10px 0 16px; break-inside: avoid; }
figcaption { color: #4a554f; font-size: 0.9rem; }
table { border-collapse: collapse; width: 100%; margin: 8px 0 18px; font-size: 0.92rem;
  font-variant-numeric: tabular-nums; }
table.narrow { width: auto; min-width: 55%; }
caption { text-align: left; font-weight: 650; padding-bottom: 4px; }
th, td { text-align: left; vertical-align: top; padding: 3px 14px 3px 0; border-bottom: 1px solid #dcd9ca; }
thead th { border-bottom: 1.5px solid #15201d; }
tbody th { font-weight: 400; white-space: nowrap; }
.number { text-align: right; }
tr { break-inside: avoid; }
@page { margin: 16mm 14mm; }
@media print { body { background: none; padding: 0; max-width: none; font-size: 10pt; }
  table { font-size: 8.5pt; } th, td { padding-right: 7px; overflow-wrap: break-word; }
  svg text.halo { stroke: #fff; } h2 { break-after: avoid; } }
"""


def report(runs: Sequence[Run], units: Units) -> str:
    """The whole file.

    Args:
        runs: one for a report of a dig, two or more to compare them.
        units: that lengths are written in.
    """
    many = len(runs) > 1
    first = runs[0]
    title = "Comparison of " + " and ".join(run.name for run in runs) if many else f"Dig report: {first.name}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="said">{escape(said(first, units))}</p>' if not many else "",
        f'<p class="caution">{CAUTION}</p>',
        *(f'<p class="caution">{escape(text)}</p>' for run in runs for text in run.warnings),
        tables.about(list(runs)).html(),
        _dug(runs, units),
        _time(runs, units),
        _truth(runs, units),
    ]
    for run in runs:
        parts.append(_records(run, units, run.name if many else ""))
    parts.append(f'<p class="quiet">Written by tipdatum {__version__}.</p>')
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>{DEFS}<main>"
        + "\n".join(part for part in parts if part)
        + "</main></body></html>\n"
    )


def said(run: Run, units: Units) -> str:
    """The dig in two or three sentences."""
    found = figures.follow(run)
    sentences = []
    if found is None:
        sentences.append("No target was followed.")
    else:
        text = f"The bucket followed its target for {found.seconds:.0f} s"
        if found.within is not None:
            text += f", {100 * found.within:.0f} % of that within tolerance"
        mean = units.small(abs(found.mean))
        side = "above" if found.mean > 0 else "below"
        sentences.append(f"{text}; on average it ran {mean} {side} it.")
    doubtful = sum(b - a for a, b, word in figures.stretches(run.datum, run.t) if word == "doubtful")
    setups = len({s["reference"].get("t") for s in run.states if s.get("reference")})
    sentences.append(f"The reference was set {setups} time{'' if setups == 1 else 's'}.")
    if doubtful:
        sentences.append(f"For {doubtful:.0f} s it was in doubt, and no deviation was shown.")
    return " ".join(sentences)


def all_tables(run: Run, units: Units) -> list[Table]:
    """Every table of one run, for CSV files."""
    found = [
        tables.statistics([run], units),
        tables.stillness([run], units),
        tables.score([run]),
        tables.profile(run),
        tables.level_book(run, units),
        tables.points(run, units),
        tables.history(run),
        tables.health(run),
    ]
    return [table for table in found if table is not None]


def _dug(runs: Sequence[Run], units: Units) -> str:
    sections = charts.sections(runs, units)
    if not sections:
        return "<h2>What was dug</h2><p>No target was followed, so there is no profile and no deviation.</p>"
    close = units.small(figures.FOLLOWING_M)
    crosses = " Crosses are as-dug points." if runs[0].points else ""
    drawn = "".join(_figure(svg, f"Set-up {number}, true to scale.") for number, svg in sections)
    return (
        f"<h2>What was dug</h2><p>As dug: the lowest the tip came in each step of the reach while it was "
        f"within {close} of the target.{crosses} Reach is counted from the slew axis, so each set-up has "
        f"its own drawing.</p>{drawn}"
        + _figure(charts.deviations(runs, units), f"Messages within {close} of the target.")
        + tables.statistics(list(runs), units).html()
    )


def _time(runs: Sequence[Run], units: Units) -> str:
    return (
        "<h2>Over time</h2>"
        + _figure(
            charts.elevations(runs, units),
            TIP_CAPTION,
        )
        + _figure(charts.qualities(runs), "Empty: good figures, reference set.")
        + tables.stillness(list(runs), units).html()
    )


def _truth(runs: Sequence[Run], units: Units) -> str:
    table = tables.score(list(runs))
    if table is None:
        return ""
    chart = charts.errors(runs, units)
    caption = (
        "Published elevation less the true one while the reference was set. The grey band is two sigma as "
        "published; an honest band holds about 95 % of the error."
    )
    return "<h2>Against the truth</h2>" + _figure(chart, caption) + table.html()


def _records(run: Run, units: Units, name: str) -> str:
    of = f" of {escape(name)}" if name else ""
    parts = [
        (f"References and level book{of}", [tables.history(run), tables.level_book(run, units)], None),
        (f"Points{of}", [tables.points(run, units)], None),
        (f"Sensors{of}", [tables.health(run)], charts.sensors(run)),
    ]
    text = ""
    for heading, found, chart in parts:
        shown = "".join(table.html() for table in found if table is not None)
        if heading.startswith("References"):
            shown += _misclosure(run, units)
        if shown or chart:
            text += f"<h2>{heading}</h2>{_figure(chart, 'Empty: well.') if chart else ''}{shown}"
    return text


def _misclosure(run: Run, units: Units) -> str:
    closed = run.closed
    if closed is None:
        return ""
    within = abs(closed["misclosure_m"]) <= closed["allowable_m"]
    return (
        f"<p>Misclosure on the last benchmark: {units.small(closed['misclosure_m'], sign=True)} over "
        f"{closed['setups']} set-ups, {'within' if within else 'more than'} the allowable "
        f"{units.small(closed['allowable_m'])}.</p>"
    )


def _figure(svg: str | None, caption: str) -> str:
    return "" if svg is None else f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"
