"""The report as one HTML file: no network, no script, fit for a phone, a screen and A4 or Letter paper."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

from tipdatum import __version__
from tipdatum.display.report import calibration_curve, charts, summary, tables
from tipdatum.display.report.run import Run
from tipdatum.display.report.tables import ReportTable
from tipdatum.display.report.words import Words
from tipdatum.svg import DEFS

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 24px 20px 48px; max-width: 820px; background: #fbfaf4; color: #15201d;
  font: 15px/1.45 system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; overflow-wrap: anywhere; }
h1 { font-size: 1.7rem; margin: 0 0 10px; }
h2 { font-size: 1.15rem; margin: 32px 0 6px; padding-top: 8px; border-top: 2px solid #15201d; }
p { margin: 4px 0 10px; max-width: 70ch; }
.quiet { color: #4a554f; fill: #4a554f; }
.caution { border: 1.5px solid #15201d; padding: 8px 12px; max-width: none; }
.block { display: grid; grid-template-columns: max-content 1fr; gap: 0; margin: 0 0 14px;
  border-top: 2px solid #15201d; border-bottom: 2px solid #15201d; }
.block dt, .block dd { margin: 0; padding: 4px 0; border-bottom: 1px solid #dcd9ca; }
.block dt { color: #4a554f; padding-right: 18px; }
.verdict { border: 2px solid #15201d; padding: 6px 14px 4px; margin: 0 0 14px; }
.verdict .word { font-size: 1.9rem; font-weight: 700; margin: 0; line-height: 1.2; }
.verdict.pass .word { background: #15201d; color: #fbfaf4; margin: -6px -14px 6px; padding: 4px 14px; }
.verdict.fail { border-bottom: 10px double #15201d; }
.verdict.cannot { border-style: dashed; }
.verdict ul { margin: 0 0 8px; padding-left: 20px; }
figure .slim { display: none; }
figure { margin: 10px 0 16px; break-inside: avoid; }
figure > div > svg { display: block; width: 100%; height: auto; overflow: visible; }
svg text { font: 11.5px system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; fill: #15201d; }
svg text.quiet { fill: #4a554f; }
svg text.halo { paint-order: stroke; stroke: #fbfaf4; stroke-width: 3px; }
figcaption { color: #4a554f; font-size: 0.9rem; }
table { border-collapse: collapse; width: 100%; margin: 8px 0 18px; font-size: 0.92rem;
  font-variant-numeric: tabular-nums; }
table.narrow { width: auto; min-width: 55%; }
caption { text-align: left; font-weight: 650; padding-bottom: 4px; }
th, td { text-align: left; vertical-align: top; padding: 3px 14px 3px 0; border-bottom: 1px solid #dcd9ca; }
thead th { border-bottom: 1.5px solid #15201d; }
tbody th { font-weight: 400; }
th, td { overflow-wrap: break-word; }
table.many { font-size: 0.8rem; }
table.many :is(th, td) { padding-right: 9px; }
table.cards thead { display: none; }
table.cards tr { display: flex; flex-wrap: wrap; gap: 2px 20px; padding: 6px 0;
  border-bottom: 1px solid #dcd9ca; }
table.cards :is(th, td) { padding: 0; border: 0; text-align: left; }
table.cards th { font-weight: 650; min-width: 5em; }
table.cards :is(th, td)::before { content: attr(data-head); display: block; color: #4a554f; font-size: 0.85em;
  font-weight: 400; }
table.cards :is(th, td):empty { display: none; }
.number { text-align: right; }
tbody .number { white-space: nowrap; }
tr { break-inside: avoid; }
@media screen and (max-width: 700px) { table.many { font-size: 0.72rem; }
  table.many :is(th, td) { padding-right: 6px; } }
@media screen and (max-width: 620px) {
  table.many { font-size: 0.92rem; }
  body { padding: 14px 12px 32px; }
  .block { grid-template-columns: 1fr; }
  .block dt { padding-bottom: 0; border: 0; font-size: 0.85rem; }
  .block dd { padding-top: 0; }
  figure .wide { display: none; }
  figure .slim { display: block; }
  table.narrow { width: 100%; }
  table:not(.narrow, .cards) thead { display: none; }
  table:not(.narrow, .cards) tr { display: block; padding: 6px 0; border-bottom: 1.5px solid #15201d; }
  table:not(.narrow, .cards) :is(th, td) { display: flex; justify-content: space-between;
    gap: 14px; padding: 1px 0; border: 0; text-align: right; white-space: normal; }
  table:not(.narrow, .cards) :is(th, td)::before { content: attr(data-head); color: #4a554f;
    text-align: left; }
  table:not(.narrow, .cards) :is(th, td):empty { display: none; }
}
@page { margin: 16mm 14mm; }
@media print { body { background: none; padding: 0; max-width: none; font-size: 10pt; }
  .first { break-after: page; }
  .verdict.pass .word { background: none; color: inherit; margin: 0; padding: 0; text-decoration: underline; }
  table { font-size: 8.5pt; } th, td { padding-right: 7px; overflow-wrap: break-word; }
  svg text.halo { stroke: #fff; } h2 { break-after: avoid; } }
"""


def report(runs: Sequence[Run], words: Words) -> str:
    """The whole file.

    Args:
        runs: one for a report of a dig, two or more to compare them.
        words: language and units that it is written in.
    """
    many = len(runs) > 1
    first = runs[0]
    names = f" {words('report.and')} ".join(run.name for run in runs)
    title = (
        words("report.title.many", names=names)
        if many
        else words("report.title", name=first.site or first.name)
    )
    head = "" if many else summary.page_one(first, words)
    about = tables.about(list(runs), words).html(captioned=many)
    parts = [
        f'<div class="first"><h1>{escape(title)}</h1>{head}',
        f'<p class="caution">{escape(words("report.caution"))}</p>{about}' if many else "",
        *(f'<p class="caution">{escape(text)}</p>' for run in runs for text in run.warnings),
        _dug(runs, words) + "</div>",
        _truth(runs, words),
        _time(runs, words),
    ]
    for run in runs:
        parts.append(_records(run, words, run.name if many else ""))
    parts.append("" if many else f"<h2>{escape(words('report.about'))}</h2>{about}")
    parts.append(f'<p class="quiet">{escape(words("report.written-by", version=__version__))}</p>')
    return (
        f'<!doctype html>\n<html lang="{words.say.language}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>{DEFS}<main>"
        + "\n".join(part for part in parts if part)
        + "</main></body></html>\n"
    )


def all_tables(run: Run, words: Words) -> list[ReportTable]:
    """Every table of one run, for CSV files."""
    found = [
        tables.statistics([run], words),
        tables.edge(run, words),
        tables.stillness([run], words),
        tables.score([run], words),
        tables.profile(run),
        tables.level_book(run, words),
        tables.points(run, words),
        tables.history(run, words),
        tables.health(run, words),
    ]
    return [table for table in found if table is not None]


def _dug(runs: Sequence[Run], words: Words) -> str:
    sections = charts.sections(runs)
    heading = f"<h2>{escape(words('report.dug'))}</h2>"
    if not sections:
        return f"{heading}<p>{escape(words('report.dug.nothing'))}</p>"
    several = len({one.setup for one, _ in sections}) > 1
    drawn = ""
    for one, draw in sections:
        parts = [words("report.setup", n=one.setup)] if several else []
        if one.slew_deg is not None and len(sections) > 1:
            parts.append(words("report.line", slew=words.number(one.slew_deg)))
        drawn += _figure(draw, words, ", ".join([*parts, words("report.true-to-scale")]) + ".")
    crosses = f" {words('report.dug.crosses')}" if runs[0].points else ""
    histogram = _figure(lambda w: charts.deviations(runs, w), words, words("report.dug.histogram"))
    return (
        f"{heading}<p>{escape(words('report.dug.how') + crosses)}</p>{drawn}{histogram}"
        + (tables.statistics(list(runs), words).html() if histogram else "")
        + "".join(_edge(run, words) for run in runs)
    )


def _edge(run: Run, words: Words) -> str:
    """What both ends of the edge dug; of a ditch its section."""
    table = tables.edge(run, words)
    section = _figure(lambda w: charts.ditch(run, w), words, words("report.edge.ditch"))
    return section + ("" if table is None else table.html())


def _time(runs: Sequence[Run], words: Words) -> str:
    return (
        f"<h2>{escape(words('report.over-time'))}</h2>"
        + _figure(lambda w: charts.elevations(runs, w), words, words("report.over-time.tip"))
        + _figure(lambda w: charts.qualities(runs, w), words, words("report.over-time.quality"))
        + tables.stillness(list(runs), words).html()
    )


def _truth(runs: Sequence[Run], words: Words) -> str:
    table = tables.score(list(runs), words)
    if table is None:
        return ""
    return (
        f"<h2>{escape(words('report.truth'))}</h2>"
        + _figure(lambda w: charts.errors(runs, w), words, words("report.truth.band"))
        + _figure(lambda w: calibration_curve.curve(runs, w), words, words("report.truth.curve"))
        + table.html(captioned=False)
        + f"<p>{escape(words('report.truth.two-sigma'))}</p>"
    )


def _records(run: Run, words: Words, name: str) -> str:
    strip = _figure(lambda w: charts.sensors(run, w), words, words("report.sensors.strip"))
    parts = [
        ("report.records", [tables.history(run, words), tables.level_book(run, words)], ""),
        ("report.points.title", [tables.points(run, words)], ""),
        ("report.sensors", [tables.health(run, words)], strip),
    ]
    text = ""
    for key, found, drawn in parts:
        known = [table for table in found if table is not None]
        shown = "".join(table.html(captioned=table.title != words(key)) for table in known)
        heading = words(key) + (f": {name}" if name else "")
        if shown or drawn:
            text += f"<h2>{escape(heading)}</h2>{drawn}{shown}"
    return text


def _figure(draw: Callable[[Words], str | None], words: Words, caption: str) -> str:
    """A drawing twice: for a sheet or a screen, and for a phone."""
    wide, slim = draw(words), draw(words.slim())
    if wide is None:
        return ""
    caption = caption[:1].upper() + caption[1:]
    return (
        f'<figure><div class="wide">{wide}</div><div class="slim">{slim}</div>'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )
