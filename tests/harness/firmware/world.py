"""A board's surroundings in simulated time: two inertial chips behind I²C registers, switches, a LED.

Runs under CPython and MicroPython. What the registers mean is taken from the chips' data sheets, never from
the firmware: a wrong register, bit or scale in the firmware gives another figure or none.
    MPU-6050   RM-MPU-6000A-00 revision 4.2, PS-MPU-6000A-00 revision 3.4
    LSM6DSO    DS12140 revision 2
"""


class Chip:
    """Registers of one chip. force: g. turn: °/s. pin: what its data-ready pin is joined to, or None."""

    def __init__(self, force, turn, celsius=25.0, pin=None, weak=False):
        self.force, self.turn, self.celsius, self.pin = force, turn, celsius, pin
        self.weak = weak  # fails its self-test
        self.registers = {}
        self.samples = 0
        self.next_us = None
        self.is_ready = False
        self.gone = False
        self.reset()

    def sample_if_due(self, now):
        """Whether a new sample has just been taken."""
        rate = self.rate_hz()
        if rate is None:
            self.next_us = None
            return False
        if self.next_us is None:
            self.next_us = now + 1e6 / rate
        if now < self.next_us:
            return False
        self.next_us += 1e6 / rate
        self.samples += 1
        self.is_ready = True
        return True


def low_high(value):
    value = max(-32768, min(32767, round(value))) & 0xFFFF
    return [value & 0xFF, value >> 8]


class Lsm6dso(Chip):
    IDENTITY = {0x0F: 0x6C}

    def reset(self):
        self.registers = {0x12: 0x04}

    def rate_hz(self):
        # Tables of CTRL1_XL and CTRL2_G: code 0101 is 208 Hz, 0 is power-down; others are not simulated.
        xl, g = self.registers.get(0x10, 0) >> 4, self.registers.get(0x11, 0) >> 4
        return 208.0 if xl == 5 and g == 5 else None

    def write(self, register, value):
        if register == 0x12 and value & 0x01:
            self.reset()
            return
        self.registers[register] = value

    def read(self, register):
        if register in self.IDENTITY:
            return self.IDENTITY[register]
        if register == 0x1E:
            return 0x07 if self.is_ready else 0x00
        if 0x20 <= register <= 0x2D:
            if register >= 0x22:
                self.is_ready = False
            return self.outputs()[register - 0x20]
        return self.registers.get(register, 0)

    def outputs(self):
        mg = (0.061, 0.488, 0.122, 0.244)[self.registers.get(0x10, 0) >> 2 & 3]
        mdps = (8.75, 17.5, 35.0, 70.0)[self.registers.get(0x11, 0) >> 2 & 3]
        test = self.registers.get(0x14, 0)
        push = 0.01 if self.weak else 0.4  # g; the data sheet allows 50 to 1700 mg
        spin = 400.0  # °/s; 150 to 700 at the range of 2000 °/s
        force = [f + (push if test & 3 == 1 else 0.0) for f in self.force]
        turn = [w + (spin if test >> 2 & 3 == 1 else 0.0) for w in self.turn]
        bytes_ = low_high((self.celsius - 25.0) * 256)
        for w in turn:
            bytes_ += low_high(w * 1000 / mdps)
        for f in force:
            bytes_ += low_high(f * 1000 / mg)
        return bytes_

    def drives_pin(self):
        return self.registers.get(0x0D, 0) & 0x02 and "level"


class Mpu6050(Chip):
    IDENTITY = {0x75: 0x68}
    # Self-test codes 16 of accel and 10 of gyro, on all axes; see registers 13 to 16.
    CODES = {0x0D: 4 << 5 | 10, 0x0E: 4 << 5 | 10, 0x0F: 4 << 5 | 10, 0x10: 0}

    def reset(self):
        self.registers = {0x6B: 0x40}

    def rate_hz(self):
        asleep = self.registers.get(0x6B, 0x40) & 0x40
        filtered = 1 <= self.registers.get(0x1A, 0) <= 6
        return None if asleep else (1000.0 if filtered else 8000.0) / (1 + self.registers.get(0x19, 0))

    def write(self, register, value):
        if register == 0x6B and value & 0x80:
            self.reset()
            return
        self.registers[register] = value

    def read(self, register):
        for table in (self.IDENTITY, self.CODES):
            if register in table:
                return table[register]
        if register == 0x3A:
            state, self.is_ready = self.is_ready, False
            return 0x01 if state else 0x00
        if 0x3B <= register <= 0x48:
            return self.outputs()[register - 0x3B]
        return self.registers.get(register, 0)

    def outputs(self):
        gyro, accel = self.registers.get(0x1B, 0), self.registers.get(0x1C, 0)
        per_g = (16384, 8192, 4096, 2048)[accel >> 3 & 3]
        per_dps = (131.0, 65.5, 32.8, 16.4)[gyro >> 3 & 3]
        # Factory trims of the codes above, in counts at ±8 g and ±250 °/s; the part answers 5 % stronger.
        push = 4096 * 0.34 * (0.92 / 0.34) ** (15 / 30) * (0.2 if self.weak else 1.05)
        spin = 25 * 131 * 1.046**9 * 1.05
        bytes_ = []
        for axis, f in enumerate(self.force):
            bytes_ += low_high(f * per_g + (push if accel >> (7 - axis) & 1 else 0))[::-1]
        bytes_ += low_high((self.celsius - 36.53) * 340)[::-1]
        for axis, w in enumerate(self.turn):
            sign = -1 if axis == 1 else 1
            bytes_ += low_high(w * per_dps + (sign * spin if gyro >> (7 - axis) & 1 else 0))[::-1]
        return bytes_

    def drives_pin(self):
        return self.registers.get(0x38, 0) & 0x01 and "pulse"


class World:
    """Simulated time, µs, and everything that happens in it. on_edge(pin) is called at each rising edge."""

    CALL_US, I2C_BYTE_US = 40, 25

    def __init__(self, chips, ends_us, start_us=0, switches=None, unplug=None):
        self.chips = chips  # (bus, address) → Chip
        self.now, self.ends_us = start_us, ends_us
        self.start_us = start_us
        self.switches = switches or {}  # pin → (from µs, to µs) in which it is closed to ground
        self.unplug = unplug  # ((bus, address), from µs, to µs)
        self.led = []
        self.on_edge = lambda pin: None

    def over(self):
        return self.now - self.start_us >= self.ends_us

    def advance(self, us):
        """Let time go on; samples are taken meanwhile."""
        until = self.now + us
        while self.now < until:
            self.now = min(until, self.now + 500)
            for chip in self.chips.values():
                if chip.sample_if_due(self.now) and chip.pin is not None and chip.drives_pin():
                    self.on_edge(chip.pin)

    def level(self, pin):
        """A pin's level, 0 or 1."""
        if pin in self.switches:
            since, until = self.switches[pin]
            return 0 if since <= self.now - self.start_us < until else 1
        for chip in self.chips.values():
            if chip.pin == pin:
                return 1 if chip.is_ready and chip.drives_pin() == "level" else 0
        return 1

    def write(self, bus, address, register, data):
        """False where nobody answers."""
        self.advance(self.I2C_BYTE_US * (2 + len(data)))
        chip = self._chip(bus, address)
        if chip is None:
            return False
        for i, value in enumerate(data):
            chip.write(register + i, value)
        return True

    def read(self, bus, address, register, count):
        """None where nobody answers."""
        self.advance(self.I2C_BYTE_US * (3 + count))
        chip = self._chip(bus, address)
        return None if chip is None else bytes([chip.read(register + i) for i in range(count)])

    def _chip(self, bus, address):
        if self.unplug is not None and self.unplug[0] == (bus, address):
            since, until = self.unplug[1:]
            if since <= self.now - self.start_us < until:
                return None
        return self.chips.get((bus, address))


UNIT = (0.6, 0.0, 0.8)  # x 36.87° up, since asin(0.6) is that of the triangle 3, 4, 5


def scene(name):
    """A world by name, the same for every kind of board."""
    if name == "one":
        return World({(0, 0x6A): Lsm6dso(UNIT, (0.0, 10.0, 0.0), 31.0, pin=15)}, 4000000)
    if name == "four":
        chips = {
            (0, 0x6A): Lsm6dso((0.0, 0.0, 1.0), (0.0, 0.0, 0.0), pin=15),
            (0, 0x6B): Lsm6dso(UNIT, (10.0, -20.0, 30.0)),
            (0, 0x68): Mpu6050((0.0, -1.0, 0.0), (-5.0, 0.0, 5.0), 40.0, pin=16),
            (0, 0x69): Mpu6050((-0.6, 0.0, 0.8), (0.0, 90.0, 0.0)),
        }
        return World(chips, 5500000, switches={20: (2000000, 3000000)})
    if name == "weak":
        chips = {
            (0, 0x6A): Lsm6dso(UNIT, (0.0, 0.0, 0.0), weak=True),
            (0, 0x68): Mpu6050(UNIT, (0.0, 0.0, 0.0)),
        }
        return World(chips, 4000000)
    if name == "weak-other":
        chips = {
            (0, 0x6A): Lsm6dso(UNIT, (0.0, 0.0, 0.0)),
            (0, 0x68): Mpu6050(UNIT, (0.0, 0.0, 0.0), weak=True),
        }
        return World(chips, 4000000)
    if name == "loose":
        chips = {(0, 0x6A): Lsm6dso(UNIT, (0.0, 0.0, 0.0)), (0, 0x68): Mpu6050(UNIT, (0.0, 0.0, 0.0))}
        return World(chips, 8000000, unplug=((0, 0x6A), 3000000, 5000000))
    if name == "wrap":
        return World({(0, 0x6A): Lsm6dso(UNIT, (0.0, 0.0, 0.0), pin=15)}, 4000000, start_us=2**30 - 2500000)
    raise ValueError(name)
