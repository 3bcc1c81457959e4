"""Which lamps of a light bar are lit, from the texts of the topics text/deviation and text/state alone.

For the edge of an eye that watches the bucket: position, length and rhythm, no reading and no colour code.
The bar stands upright. The column of light begins at the middle and shows where the tip is: above the middle
with material left to cut, below it when over-dug, and it shrinks towards the middle as the work goes on. On
grade there is no column but a broad steady block in the middle. Over-dug the column also goes off and on
slowly. What is doubtful is a comb: every second lamp. Without a figure all is dark, and dark means: do not
dig by it.

Runs under Python and MicroPython. Advisory, no safety device.
"""

FULL_M = 0.40  # deviation at which a column is full
TOLERANCE_M = 0.010  # on grade within this, m
SLOW_MS = 700  # half a period of the over-dug column
UNITS = {"m": 1.0, "mm": 0.001, "ft": 0.3048}


def metres(text):
    """The signed deviation of a text such as "cut 0.047 m", "fill 1' 3 1/8\"" or "on grade 0 mm", or None."""
    words = text.split()
    sign = {"cut": 1.0, "fill": -1.0}.get(words[0] if words else "")
    if words[:2] == ["on", "grade"]:
        return 0.0
    if sign is None or len(words) < 2:
        return None
    try:
        if words[1].endswith("'"):
            inches = 0.0
            for part in words[2:]:
                top, _, bottom = part.rstrip('"').partition("/")
                inches += float(top) / float(bottom or 1)
            return sign * (float(words[1][:-1]) * 12.0 + inches) * 0.0254
        return sign * float(words[1]) * UNITS[words[2]]
    except (ValueError, KeyError, IndexError):
        return None


def lamps(deviation, state, count, now_ms):
    """Brightness 0 to 1 of each lamp from the lowest up; count is odd, 7 to 15."""
    dark = [0.0] * count
    off = metres(deviation)
    if off is None:
        return dark
    middle = count // 2
    lit = list(dark)
    if abs(off) <= TOLERANCE_M:
        for i in (middle - 1, middle, middle + 1):
            lit[i] = 1.0
    else:
        if off < 0 and now_ms // SLOW_MS % 2:
            lit[middle] = 0.3  # the place stays marked
        else:
            # By the square root: a millimetre near the grade moves more light than a decimetre far from it.
            length = max(1, min(middle, round(middle * (abs(off) / FULL_M) ** 0.5)))
            step = 1 if off > 0 else -1
            lit[middle] = 0.3
            for k in range(1, length + 1):
                lit[middle + step * k] = 1.0 if k == length else 0.5
    # While the arm moves a figure is as sure as its sigma says; anything else is a doubt.
    if state.split(",")[0] not in ("good", "moving") or "check" in state or "no reference" in state:
        lit = [0.5 * b if (i - middle) % 2 == 0 else 0.0 for i, b in enumerate(lit)]
    return lit
