"""What the service says, as codes with values: English here, other languages where people read.

A sentence is its English text (a `str`) that still knows its parts: a code and values for each. Added to one
another sentences keep their parts; text that is only text becomes a part without a code. Whoever shows a
sentence in another language, or in other units, says the parts from its own catalogue.

The end of a value's name tells what it is and how it is written: `_m` a length in metres to the millimetre,
`_fine_m` a small one in millimetres, `_signed_m` the same with its sign, `_number_mm` millimetres without the
unit, `_s` seconds, `_whole_s` whole ones.
"""

from __future__ import annotations

import re
from typing import Any, Self

ENGLISH: dict[str, str] = {
    # the reference
    "reference-set": "Reference set on {mark} at {elevation_m}{corner}, averaged over {lasted_s}, spread "
    "{spread_fine_m}.",
    "no-reference": "There is no reference: set one with datum/set.",
    "nothing-to-confirm": "There is no reference to confirm: set one with datum/set.",
    "not-in-doubt": "The reference was not in doubt.",
    "confirmed": "Reference confirmed although {doubts}.",
    "reference-cleared": "Reference cleared. Marks, level book and target are kept.",
    "was-no-reference": "There was no reference.",
    "needs-reference": "{what}: there is no reference. Set one with datum/set.",
    "needs-sure-reference": "{what}: the reference is doubtful ({doubts}). Touch a known mark (mark/return), "
    "use the laser, or confirm it with datum/confirm.",
    "measured-from-reference": "This is measured from the reference: set one with datum/set first.",
    "reference-doubtful": " The reference is doubtful: no deviation until it is confirmed.",
    # marks
    "mark-noted": "{mark} noted at {elevation_m}.",
    "mark-kept": "{mark} kept at {elevation_m} (sigma {sigma_fine_m}{where}), spread {spread_fine_m}.",
    "carried-over": "Reference carried over by {mark} at {elevation_m}, averaged over {lasted_s}, spread "
    "{spread_fine_m}.",
    "check-passed": "Check PASSED: {mark} reads {elevation_m}, known {known_m}, {off_signed_m} off "
    "(allowed {limit}{allowed_fine_m}). Nothing was changed.",
    "check-not-passed": "Check NOT PASSED: {mark} reads {elevation_m}, known {known_m}, {off_signed_m} off "
    "(allowed {limit}{allowed_fine_m}). Nothing was changed.",
    "mark-forgotten": "{mark} forgotten.",
    # targets
    "target-level": "Target: level at {elevation_m}.",
    "target-level-below": "Target: level at {elevation_m}, {depth_m} below the reference's mark.",
    "target-grade": "Target: {way} through {elevation_m} at {where}{across}.",
    "target-cleared": "Target cleared.",
    "follows-boom": " There is no slew sensor: the grade follows the boom plane wherever it is swung.",
    "tolerance": "Tolerance +{above_number_mm} / -{below_fine_m}.",
    "layers": "{count} layers: {names}. The target itself is worked on.",
    "at-station": "The tip is at station {station}.",
    # touches
    "not-still": "The tip is not still: {why}. Hold it on the mark and try again.",
    "no-rest": "The tip did not come to rest within {wait_whole_s}: {why}.",
    "arm-unknown": "The arm's position is not known ({reasons}).",
    "arm-unknown-now": "The arm's position is not known just now ({reasons}).",
    # limits, trench, bucket, points
    "limits-cleared": "{count} limits cleared.",
    "limit-cleared": "{count} limit cleared.",
    "no-such-limit": "There is no limit of kind {kind}.",
    "limit-needs-slew": "A slew limit needs a slew sensor; this machine has none.",
    "ground-at": "Ground beside the trench at {elevation_m}.",
    "bucket-stays": "{bucket} stays on.",
    "bucket-on": "Bucket {bucket} is on: tip {tip_m} from the pin, {width} wide.",
    "check-new-bucket": " The reference stays; check it with the new bucket on a mark (mark/check).",
    "recording-stopped": "Automatic recording stopped.",
    "recording-needs-target": "Automatic recording follows the target: set one first.",
    "points-cleared": "{count} points cleared.",
    "no-elevation-now": "There is no elevation to record just now.",
    "put-back": "Put back: {command}. It had answered: {answer}",
    "nothing-to-undo": "Nothing was changed in the last {seconds_whole_s}; older changes stay.",
}
"""Code → English, with the values' names in braces."""

_BLANK = re.compile(r"\{(\w+)\}")


class Sentence(str):
    """English text with its parts: (code, values) each; the code is empty for what is only text."""

    __slots__ = ("parts",)
    parts: tuple[tuple[str, dict[str, Any]], ...]

    def __new__(cls, text: str, parts: tuple[tuple[str, dict[str, Any]], ...]) -> Self:
        made = super().__new__(cls, text)
        made.parts = parts
        return made

    def __str__(self) -> str:
        # An exception's text is its argument's: it shall still be this sentence.
        return self

    def __add__(self, other: str) -> Sentence:
        return Sentence(super().__add__(other), self.parts + parts_of(other))


def sentence(code: str, **values: Any) -> Sentence:
    """The sentence of that code.

    Raises:
        KeyError: there is no such code, or a value is missing.
    """
    text = _BLANK.sub(lambda blank: written(blank[1], values[blank[1]]), ENGLISH[code])
    return Sentence(text, ((code, values),))


def parts_of(text: str) -> tuple[tuple[str, dict[str, Any]], ...]:
    """The parts of any text: what is no sentence is one part without a code; nothing is none."""
    if isinstance(text, Sentence):
        return text.parts
    return (("", {"text": text}),) if text else ()


def written(name: str, value: Any) -> str:
    """A value as English writes it, by the end of its name."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return str(value)
    if name.endswith("_signed_m"):
        size = f"{value * 1000:+.0f}"
        return f"{'0' if float(size) == 0.0 else size} mm"
    if name.endswith("_fine_m"):
        return f"{value * 1000:.0f} mm"
    if name.endswith("_number_mm"):
        return f"{value:.0f}"
    if name.endswith("_m"):
        return f"{value:.3f} m"
    if name.endswith("_whole_s"):
        return f"{value:g} s"
    if name.endswith("_s"):
        return f"{value:.1f} s"
    return str(value)
