"""The shortest machine description that loads, for tests of what surrounds it. Its figures are invented."""

from __future__ import annotations

MACHINE = """
name = "invented machine"
[boom]
foot_m = [0.3, 0.0, 1.8]
length_m = 4.7
[stick]
length_m = 2.4
[[bucket]]
name = "trenching 600"
tip_m = 1.3
width_m = 0.6
[sensor.boom]
body = "boom"
"""
