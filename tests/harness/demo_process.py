"""`tipdatum demo` as a process, for the scripts beside this file that look at its page."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from collections.abc import Iterator

CHROMIUM = "/usr/bin/chromium"
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@contextlib.contextmanager
def demo_page() -> Iterator[str]:
    """The address of the page of a demo that ends with the context."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tipdatum", "demo", "--no-view", "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert process.stdout is not None
        for line in process.stdout:
            if found := re.search(r"http://127\.0\.0\.1:\d+/", line):
                yield found[0]
                return
        raise RuntimeError("the demo named no page")
    finally:
        process.terminate()
        process.wait(timeout=240)
