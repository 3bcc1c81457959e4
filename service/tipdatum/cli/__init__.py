"""The command line: one module a command."""

from __future__ import annotations
