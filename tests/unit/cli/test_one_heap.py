"""Threads of a run share one heap: those of their own that glibc would give them are not there."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

ASKED = """
import ctypes, sys, threading
if sys.argv[1] == "one":
    from tipdatum.cli.run import one_heap
    one_heap()
malloc = ctypes.CDLL(None).malloc
done = threading.Barrier(5)
def work():
    malloc(1000)
    done.wait()
for _ in range(4):
    threading.Thread(target=work, daemon=True).start()
done.wait()
sizes = []
for line in open("/proc/self/maps"):
    span, rights = line.split()[:2]
    low, high = (int(end, 16) for end in span.split("-"))
    sizes.append((high - low, rights))
# A heap of a thread is 64 MB of addresses (HEAP_MAX_SIZE of glibc), nearly all of them without rights.
print(sum(rights == "---p" and 60 << 20 < size < 64 << 20 for size, rights in sizes))
"""


def heaps_of_threads(how: str) -> int:
    done = subprocess.run(
        [sys.executable, "-c", ASKED, how], capture_output=True, text=True, check=True, timeout=120
    )
    return int(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="glibc's own way")
def test_threads_of_a_run_share_one_heap() -> None:
    if heaps_of_threads("as it comes") == 0:
        pytest.skip("no heap of a thread's own here, whatever is asked for")
    assert heaps_of_threads("one") == 0
