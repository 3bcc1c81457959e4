"""The report of a dig: one HTML file that a tester or a client reads instead of numbers.

`run` holds what a replay gave, `figures` works out what is said about it, `tables` and `charts` put that
into rows and drawings, `page` into one self-contained file. Two runs side by side compare two estimators
or two grades of sensors.
"""

from __future__ import annotations
