"""The report of a calibration as one page: verdict, what nothing checks in red and in words, postures."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from tipdatum.calibration.adjustment import adjust
from tipdatum.calibration.outcome import conclude
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.unknowns import make_setup
from tipdatum.cli.account import account
from tipdatum.display.calibration.account import Account
from tipdatum.display.calibration.sheet import sheet
from tipdatum.display.report.words import UNITS, Words
from tipdatum.sentences import sentence


@pytest.fixture(scope="module")
def told(retrofit: Any) -> Account:
    """The account of a retrofit with one slope wrong by two degrees."""
    chosen = retrofit.book.solving()
    wrong = next(o for o in chosen if o.kind == "slope")
    chosen = tuple(
        o.model_copy(update={"value": (o.value or 0.0) + 2.0}) if o.id == wrong.id else o for o in chosen
    )
    evidence = gather(retrofit.book, [], chosen)
    solution = adjust(make_setup(retrofit.machine, chosen, evidence, retrofit.book.assume))
    return account(conclude(solution, "", "2026-05-04T08:00:00Z"), [], written=False)


def page(told: Account, language: str = "en") -> str:
    return sheet(told, Words.of(UNITS["m"], language))


def test_it_is_one_file_that_asks_for_nothing_else(told: Account) -> None:
    assert not re.search(r"<script|src=|href=|@import|url\(http", page(told))


def test_the_verdict_and_its_reasons_are_said(told: Account) -> None:
    doubtful = replace(told, verdict="doubtful", reasons=("one thing <odd>",), settle=("measure again",))
    html = page(doubtful)
    assert "Doubtful" in html
    assert "one thing &lt;odd&gt;" in html
    assert "measure again" in html


def test_the_slip_is_named_as_set_aside_and_crossed_out_in_its_posture(told: Account) -> None:
    aside = [j for j in told.judgements if j.state == "set aside"]
    assert [j.kind for j in aside] == ["slope"]
    stand = told.stands[aside[0].stand or 0]
    assert stand.aside
    assert f"<dt>{aside[0].id}</dt>" in page(told)


def test_what_nothing_checks_is_red_and_says_so_in_words(told: Account) -> None:
    unchecked = [j for j in told.judgements if j.state == "unchecked"]
    assert unchecked
    section = re.search(r'<section class="unchecked red">.*?</section>', page(told), re.S)
    assert section is not None
    assert f"Nothing checks {len(unchecked)} observations" in section[0]
    assert all(j.id in section[0] for j in unchecked)


def test_every_measured_posture_is_drawn_in_one_scale(told: Account) -> None:
    html = page(told)
    measured = [s for s in told.stands if set(s.kinds) - {"still"}]
    postures = re.search(r'<div class="postures">.*?</div>', html, re.S)
    assert postures is not None
    boxes = re.findall(r'viewBox="([^"]+)" role="img"', postures[0])
    assert len(boxes) == len(measured)
    assert len(set(boxes)) == 1


def test_headings_are_in_the_readers_language(told: Account) -> None:
    assert "Widerspruch jeder Beobachtung" in page(told, "de")


def test_what_is_wrong_and_what_would_settle_it_are_in_the_readers_language(told: Account) -> None:
    html = page(told, "de")
    aside = re.search(r'<section class="aside">.*?</section>', html, re.S)
    assert aside is not None
    assert "neben den anderen" in aside[0]
    unchecked = re.search(r'<section class="unchecked red">.*?</section>', html, re.S)
    assert unchecked is not None
    assert " away " not in aside[0] + unchecked[0]
    reason = sentence("cal-poor", sigma_fine_m=0.03)
    settle = sentence("cal-to-check", id="height-1", what=sentence("cal-check-height"))
    html = page(replace(told, verdict="doubtful", reasons=(reason,), settle=(settle,)), "de")
    assert "<li>die Schneide ist nur auf 30 mm bekannt</li>" in html
    assert "<li>um height-1 zu prüfen: diese Höhe ein zweites Mal ablesen, Latte und Gerät neu" in html


def test_figures_are_written_as_the_reader_s_language_does(told: Account) -> None:
    table = re.search(r'<div class="whole">.*?</table>', page(told, "de"), re.S)
    assert table is not None
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", table[0])
    figures = [c for c in cells if re.search(r"\d[.,]\d", c)]
    assert figures
    assert [c for c in figures if re.search(r"\d\.\d", c)] == []


def test_a_phone_is_spared_the_whole_table_until_it_asks_for_it(told: Account) -> None:
    assert f"Show all {len(told.judgements)} lines" in page(told)
