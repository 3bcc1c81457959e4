"""What a report is written in: a language, and units with that language's decimal sign."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import Any

from tipdatum.display.texts import Speech, speech
from tipdatum.sentences import said
from tipdatum.svg import Chart

WIDE, SLIM = 720.0, 400.0
"""Widths of a drawing for a sheet or screen, and for a phone held upright."""

FOOT_M = 0.3048
"""International foot, exact by definition."""


@dataclass(frozen=True, slots=True)
class Units:
    """Lengths as they are written: large ones (elevation, reach) and small ones (deviation, sigma).

    Attributes:
        long, short: names of the units. per_long, per_short: metres in one of each.
        long_places, short_places: decimals.
        bin_m: width of the histogram's columns, m.
        comma: whether decimals are written with a comma.
    """

    long: str
    per_long: float
    long_places: int
    short: str
    per_short: float
    short_places: int
    bin_m: float
    comma: bool = False

    def large(self, metres: float | None, *, unit: bool = True) -> str:
        """Such as "23.150 m"; a dash for what is not known."""
        return self._text(metres, self.per_long, self.long_places, self.long if unit else "", sign=False)

    def small(self, metres: float | None, *, unit: bool = True, sign: bool = False) -> str:
        """Such as "+12 mm"; a dash for what is not known."""
        return self._text(metres, self.per_short, self.short_places, self.short if unit else "", sign=sign)

    def _text(self, metres: float | None, per: float, places: int, unit: str, *, sign: bool) -> str:
        if metres is None or math.isnan(metres):
            return "–"
        text = f"{metres / per:{'+' if sign else ''}.{places}f}"
        if float(text) == 0:
            text = text.lstrip("+-")
        text = text.replace("-", "−")
        return (text.replace(".", ",") if self.comma else text) + (f" {unit}" if unit else "")


METRIC = Units("m", 1.0, 3, "mm", 0.001, 0, 0.005)
FEET = Units("ft", FOOT_M, 2, "in", FOOT_M / 12, 2, FOOT_M / 12 / 4)
UNITS = {"m": METRIC, "ft": FEET}


@dataclass(frozen=True, slots=True)
class Words:
    """Says keys of the catalogue, lengths, shares and times.

    Attributes:
        say: the language. units: lengths. zone: of the times of day; None is the computer's own.
        width: of the drawings, in units of which their text is 11.5 high.
    """

    say: Speech
    units: Units
    zone: tzinfo | None = None
    width: float = WIDE

    @classmethod
    def of(cls, units: Units, language: str = "en", zone: tzinfo | None = None) -> Words:
        """Words in a language of the catalogue."""
        say = speech(language)
        return cls(say, replace(units, comma=say.comma), zone)

    def __call__(self, key: str, **values: Any) -> str:
        """The text of a key."""
        return self.say(key, **values)

    def said(self, message: Mapping[str, Any]) -> str:
        """What a reply or an event says, in this language and these units."""
        return self.say.said(message.get("said"), message["text"], self._written)

    def sentence(self, text: str) -> str:
        """A sentence of the service, in this language and these units."""
        return self.say.said(said(text), text, self._written)

    def happened(self, kind: str) -> str:
        """A command or a kind of event as people call it; one that is not known here by its name."""
        known = self.say(f"happened.{kind}")
        return kind if known == f"happened.{kind}" else known

    def fault(self, kind: str) -> str:
        """A kind of fault by its English words."""
        return self.say.said([{"code": f"kind-{kind.replace(' ', '-')}", "values": {}}], kind)

    def _written(self, name: str, value: float) -> str | None:
        if name.endswith("_signed_m"):
            return self.units.small(value, sign=True)
        if name.endswith("_fine_m"):
            return self.units.small(value)
        if name.endswith("_bare_m"):
            return self.units.large(value, unit=False)
        if name.endswith("_coarse_m"):
            return self.reach(value)
        return self.units.large(value) if name.endswith("_m") and not name.endswith("_tenths_m") else None

    def large(self, metres: float | None) -> str:
        """An elevation or a reach."""
        return self.units.large(metres)

    def reach(self, metres: float, *, unit: bool = True) -> str:
        """A reach: to the centimetre, for a bucket stands no finer."""
        return replace(self.units, long_places=min(2, self.units.long_places)).large(metres, unit=unit)

    def slim(self) -> Words:
        """The same with drawings for a phone."""
        return replace(self, width=SLIM)

    def small(self, metres: float | None, *, sign: bool = False) -> str:
        """A deviation or a sigma."""
        return self.units.small(metres, sign=sign)

    def share(self, share: float | None, places: int = 0) -> str:
        """A share from 0 to 1 in percent."""
        return "–" if share is None else f"{self.say.number(100 * share, places)} %"

    def number(self, value: float, places: int = 0) -> str:
        """A plain number."""
        return self.say.number(value, places)

    def lasted(self, seconds: float) -> str:
        """A duration as people say it."""
        if seconds < 120:
            return f"{seconds:.0f} s"
        return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{self.number(seconds / 3600, 1)} h"

    def local(self, stamp: str) -> datetime | None:
        """A time of the messages (RFC 3339) on the reader's clock; None where it is none."""
        try:
            moment = datetime.fromisoformat(stamp.replace("Z", "+00:00"))
        except ValueError:
            return None
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(self.zone)

    def clock(self, stamp: str) -> str:
        """The time of day of such a stamp; empty where it is none."""
        moment = self.local(stamp)
        return "" if moment is None else moment.strftime("%H:%M")

    def chart(
        self,
        title: str,
        x: tuple[float, float],
        y: tuple[float, float],
        x_label: str,
        y_label: str,
        **more: Any,
    ) -> Chart:
        """An empty chart in this language."""
        return Chart(title, x, y, x_label, y_label, width=self.width, comma=self.say.comma, **more)
