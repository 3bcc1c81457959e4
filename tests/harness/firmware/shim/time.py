"""MicroPython's counters over the simulated world; they wrap at 2**30 as on most boards."""

from running import world

_WRAP = 1 << 30


def ticks_us():
    if world.over():
        raise SystemExit
    world.advance(world.CALL_US)
    return world.now & (_WRAP - 1)


def ticks_ms():
    return world.now // 1000 & (_WRAP - 1)


def ticks_add(ticks, delta):
    return (ticks + delta) & (_WRAP - 1)


def ticks_diff(end, start):
    return ((end - start + _WRAP // 2) & (_WRAP - 1)) - _WRAP // 2


def sleep_ms(ms):
    world.advance(ms * 1000)
