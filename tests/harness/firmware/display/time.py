"""MicroPython's counters in simulated time; every turn costs a little."""

import running

_now = [0]


def now_ms():
    return _now[0]


def ticks_ms():
    _now[0] += 1
    if _now[0] > running.ENDS_MS:
        raise SystemExit
    return _now[0]


def ticks_diff(end, start):
    return end - start


def sleep_ms(ms):
    _now[0] += ms
