"""Figures three lines high, so that an elevation reads from two metres away."""

from __future__ import annotations

_PIXELS: dict[str, str] = {
    "0": "111 101 101 101 111",
    "1": "010 110 010 010 111",
    "2": "111 001 111 100 111",
    "3": "111 001 111 001 111",
    "4": "101 101 111 001 001",
    "5": "111 100 111 001 111",
    "6": "111 100 111 101 111",
    "7": "111 001 010 010 010",
    "8": "111 101 111 101 111",
    "9": "111 101 111 001 111",
    "-": "000 000 111 000 000",
    "+": "000 010 111 010 000",
    ".": "0 0 0 0 1",
    " ": "00 00 00 00 00",
    "m": "00000 11111 10101 10101 10101",
}
"""Character → five rows of pixels, top first."""

_HALVES = {("0", "0"): " ", ("1", "0"): "▀", ("0", "1"): "▄", ("1", "1"): "█"}


def big(text: str) -> list[str]:
    """`text` (digits, sign, point, blank, m) as three lines of half blocks, all of the same length."""
    lines = ["", "", ""]
    for character in text:
        rows = [*_PIXELS[character].split(" "), "0" * 5]
        for i in range(3):
            upper, lower = rows[2 * i], rows[2 * i + 1]
            lines[i] += "".join(_HALVES[pair] for pair in zip(upper, lower, strict=False)) + " "
    return [line[:-1] for line in lines]
