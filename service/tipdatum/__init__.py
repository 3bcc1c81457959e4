"""tipdatum: where an excavator's bucket tip is, how sure that is, and how far from grade."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("tipdatum")
except PackageNotFoundError:  # a source tree on the path that was never installed
    __version__ = "0+unknown"
