"""Cautions: what a person in or beside a trench should be told, with where the figure comes from.

They inform and never block. Figures of one country are shown only where that country was chosen, and say
whose they are; local rules and a competent person decide. How sure the sources are is part of the record:
some paragraphs were read as quoted by others, not in the regulation's own text.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tipdatum.grade.forms import Document
from tipdatum.sentences import sentence

Jurisdiction: TypeAlias = Literal["us"]
Soil: TypeAlias = Literal["stable rock", "A", "B", "C"]

FOOT_M = 0.3048
DECIDES = "Local rules and a competent person decide."


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a stable short name, a text to be read, its source, whose figures it uses ("" none)."""

    name: str
    text: str
    source: str = ""
    jurisdiction: str = ""


class Shown(Document):
    """A caution as it was shown, kept in the state."""

    name: str
    text: str
    source: str = ""
    time: str = ""


CALL_FIRST = Caution(
    "call before you dig",
    sentence("caution-call"),
    sentence("caution-call-source"),
)

UNKNOWN_DEPTH = Caution(
    "depth unknown",
    sentence("caution-depth"),
)

PROTECT = Caution(
    "trench walls",
    sentence("caution-walls"),
)

EGRESS_M, PROTECTIVE_M, ENGINEER_M = 4 * FOOT_M, 5 * FOOT_M, 20 * FOOT_M

US_DEPTHS: tuple[tuple[float, Caution], ...] = (
    (
        EGRESS_M,
        Caution(
            "egress",
            sentence("caution-egress"),
            "29 CFR 1926.651(c)(2) and (g), as quoted by safety trainers",
            "us",
        ),
    ),
    (
        PROTECTIVE_M,
        Caution(
            "protective system",
            sentence("caution-protective"),
            "29 CFR 1926.652(a)(1) and 1926.651(j)(2), regulation text",
            "us",
        ),
    ),
    (
        ENGINEER_M,
        Caution(
            "engineered system",
            sentence("caution-engineered"),
            "29 CFR 1926 Subpart P App. B, as quoted by a contractors' association",
            "us",
        ),
    ),
)
"""Depth from which each applies, m."""

US_SLOPES: dict[str, tuple[float, int]] = {
    "stable rock": (0.0, 90),
    "A": (0.75, 53),
    "B": (1.0, 45),
    "C": (1.5, 34),
}
"""Soil → steepest slope, H over V, and the angle as printed (29 CFR 1926 Subpart P App. B, Table B-1, for
depths below 20 ft)."""

US_LINES: tuple[tuple[float, float], ...] = (
    (50, 10), (200, 15), (350, 20), (500, 25), (750, 35), (1000, 45),
)  # fmt: skip
"""Nominal kV up to and including → feet (29 CFR 1926.1408 Table A, cranes)."""


def depth_cautions(depth_m: float | None, jurisdiction: str | None) -> list[Caution]:
    """What belongs to a trench of that depth; None is an unknown depth."""
    if depth_m is None:
        return [UNKNOWN_DEPTH]
    if depth_m <= 0.0:
        return []
    chosen = [c for limit, c in US_DEPTHS if depth_m >= limit] if jurisdiction == "us" else []
    return [PROTECT, *chosen]


def slope_caution(soil: str | None, jurisdiction: str | None) -> list[Caution]:
    """How flat walls have to be laid back in a soil, where a country with figures was chosen."""
    if jurisdiction != "us":
        return []
    if soil is None:
        return [
            Caution(
                "slope",
                sentence("caution-slope-unclassified"),
                "29 CFR 1926.652(b)(1)(i), regulation text",
                "us",
            )
        ]
    run, angle = US_SLOPES[soil]
    if run == 0.0:
        told = sentence("caution-slope-rock")
    else:
        told = sentence("caution-slope-soil", soil=soil, run=run, angle=angle)
    return [
        Caution(
            "slope",
            told,
            "29 CFR 1926 Subpart P App. B, Table B-1, as quoted",
            "us",
        )
    ]


def line_clearance_m(kilovolts: float) -> float | None:
    """US clearance to an overhead line, m: the larger of two rules; None above 1000 kV.

    The table of 29 CFR 1926.1408 is for cranes, and excavators as such are outside its scope; 1926.600(a)(6)
    asks 10 ft and 0.4 in for each kV over 50. At 69 to 138 kV the crane table is the larger, and it is taken.
    """
    table = next((feet for upto, feet in US_LINES if kilovolts <= upto), None)
    if table is None:
        return None
    return max(table, 10.0 + max(0.0, kilovolts - 50.0) * 0.4 / 12.0) * FOOT_M


def line_caution(kilovolts: float, jurisdiction: str | None) -> Caution:
    """About an overhead line of that voltage."""
    plain = sentence("caution-line")
    if jurisdiction != "us":
        return Caution("overhead line", plain)
    clearance = line_clearance_m(kilovolts)
    if clearance is None:
        figure = sentence("caution-line-owner")
    else:
        feet = clearance / FOOT_M
        up = math.ceil(clearance * 100.0 - 1e-9) / 100.0
        figure = sentence("caution-line-figure", voltage_kv=kilovolts, feet=f"{feet:.1f}", up_coarse_m=up)
    return Caution(
        "overhead line",
        figure + plain,
        "larger of 29 CFR 1926.1408 Table A (cranes; excavators are outside its scope) and 1926.600(a)(6), "
        "the latter from memory and trade press",
        "us",
    )
