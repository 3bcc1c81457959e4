"""MicroPython's module of the same name over the simulated world."""

from running import world


def unique_id():
    return b"\x12\x34\x56\x78\x9a\xbc\xde\xf0"


class Pin:
    IN, OUT, PULL_UP, IRQ_RISING = 0, 1, 2, 3
    handlers = {}

    def __init__(self, number, mode=None, pull=None):
        self._number = number

    def irq(self, handler, trigger):
        assert trigger == Pin.IRQ_RISING
        Pin.handlers[self._number] = lambda: handler(self)

    def value(self, level=None):
        if level is not None:
            if not world.led or world.led[-1][1] != level:
                world.led.append((world.now, level))
            return None
        world.advance(2)
        return world.level(self._number)


world.on_edge = lambda pin: Pin.handlers[pin]() if pin in Pin.handlers else None


class I2C:
    def __init__(self, bus, sda, scl, freq):
        assert freq == 400000
        self._bus = bus

    def writeto_mem(self, address, register, data):
        if not world.write(self._bus, address, register, data):
            raise OSError(19)

    def readfrom_mem(self, address, register, count):
        data = world.read(self._bus, address, register, count)
        if data is None:
            raise OSError(19)
        return data
