"""Two usual inertial chips on I²C: start, self-test, data-ready, readings in m/s² and rad/s.

Registers, scales and self-test limits are those of
    MPU-6050   RM-MPU-6000A-00 revision 4.2 (registers, self-test), PS-MPU-6000A-00 revision 3.4 (scales)
    LSM6DSO    DS12140 revision 2
"""

import time

G = 9.80665
RADIANS = 0.017453293  # of one degree
TRIES = 20


class Chip:
    """One chip on a bus; a subclass is one type. `i2c` is a machine.I2C. OSError: it does not answer."""

    def __init__(self, i2c, address):
        self._i2c, self._address = i2c, address

    def _write(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes((value,)))

    def _read(self, register, count):
        return self._i2c.readfrom_mem(self._address, register, count)

    def ready(self):
        """Whether there is a sample that has not been read."""
        return self._read(self.STATUS, 1)[0] & self.READY != 0

    def _mean(self, count=8):
        """Means of raw accel and gyro, six numbers, over so many new samples."""
        sums = [0] * 6
        for _ in range(count):
            for _ in range(TRIES):
                if self.ready():
                    break
                time.sleep_ms(2)
            else:
                raise OSError("no data")
            for i, value in enumerate(self.raw()[:6]):
                sums[i] += value
        return [one / count for one in sums]

    def read(self):
        """((ax, ay, az) m/s², (gx, gy, gz) rad/s, °C)."""
        raw = self.raw()
        a, w = self.ACCEL, self.GYRO
        return (
            (raw[0] * a, raw[1] * a, raw[2] * a),
            (raw[3] * w, raw[4] * w, raw[5] * w),
            raw[6] * self.WARMTH + self.WARMTH_AT_0,
        )


class Mpu6050(Chip):
    """±4 g, ±500 °/s, 200 samples a second through the chip's own filter (44 Hz, which delays by 4.9 ms)."""

    NAME, WHO, IDENTITY = "MPU-6050", 0x75, 0x68
    STATUS, READY = 0x3A, 0x01
    ACCEL, GYRO = G / 8192, RADIANS / 65.5
    WARMTH, WARMTH_AT_0 = 1 / 340, 36.53

    def start(self):
        self._write(0x6B, 0x80)  # reset
        time.sleep_ms(100)
        self._write(0x6B, 0x01)  # awake, clock of the gyro
        time.sleep_ms(50)
        self._write(0x1A, 0x03)  # filter: 44 Hz accel, 42 Hz gyro; then the gyro's rate is 1 kHz
        self._write(0x19, 4)  # divided by 5
        self._write(0x1B, 0x08)
        self._write(0x1C, 0x08)
        self._write(0x37, 0x00)  # the pin goes high for 50 µs
        self._write(0x38, 0x01)  # at data ready

    def raw(self):
        b = self._read(0x3B, 14)
        v = [_signed(b[i] << 8 | b[i + 1]) for i in range(0, 14, 2)]
        return v[:3] + v[4:] + v[3:4]

    def self_test(self):
        """Whether each axis answers its own test within 14 % of the factory's. The chip must be at rest."""
        self._write(0x1B, 0x00)  # ±250 °/s and ±8 g, as the factory's figures are
        self._write(0x1C, 0x10)
        time.sleep_ms(50)
        rest = self._mean()
        self._write(0x1B, 0xE0)
        self._write(0x1C, 0xF0)
        time.sleep_ms(50)
        pushed = self._mean()
        self._write(0x1B, 0x08)
        self._write(0x1C, 0x08)
        time.sleep_ms(50)
        codes = self._read(0x0D, 4)
        for axis in range(3):
            a = codes[axis] >> 3 & 0x1C | codes[3] >> (4 - 2 * axis) & 0x03
            w = codes[axis] & 0x1F
            trims = (
                4096 * 0.34 * (0.92 / 0.34) ** ((a - 1) / 30) if a else 0,
                25 * 131 * 1.046 ** (w - 1) * (-1 if axis == 1 else 1) if w else 0,
            )
            for trim, at in zip(trims, (axis, axis + 3)):
                if trim and abs((pushed[at] - rest[at]) / trim - 1) > 0.14:
                    return False
        return True


class Lsm6dso(Chip):
    """±4 g, ±500 °/s, 208 samples a second."""

    NAME, WHO, IDENTITY = "LSM6DSO", 0x0F, 0x6C
    STATUS, READY = 0x1E, 0x02  # data of the gyro, which comes with that of the accelerometer
    ACCEL, GYRO = 0.000122 * G, 0.0175 * RADIANS
    WARMTH, WARMTH_AT_0 = 1 / 256, 25.0

    def start(self):
        self._write(0x12, 0x01)  # reset
        time.sleep_ms(20)
        self._write(0x12, 0x44)  # a sample stays whole while it is read; addresses count up
        self._write(0x10, 0x58)
        self._write(0x11, 0x54)
        self._write(0x0D, 0x02)  # the pin is high from data ready until the gyro has been read

    def raw(self):
        b = self._read(0x20, 14)
        v = [_signed(b[i] | b[i + 1] << 8) for i in range(0, 14, 2)]
        return v[4:] + v[1:4] + v[:1]

    def self_test(self):
        """Whether each axis moves as the data sheet says: 50 to 1700 mg, 150 to 700 °/s at ±2000 °/s."""
        self._write(0x11, 0x5C)
        time.sleep_ms(100)
        rest = self._mean()
        self._write(0x14, 0x05)  # positive test of both
        time.sleep_ms(100)
        pushed = self._mean()
        self._write(0x14, 0x00)
        self._write(0x11, 0x54)
        time.sleep_ms(100)
        moved = [abs(p - r) for p, r in zip(pushed, rest)]
        return all(50 <= m * 0.122 <= 1700 for m in moved[:3]) and all(
            150 <= m * 0.07 <= 700 for m in moved[3:]
        )


def found(i2c, address):
    """The chip at an address, by what it says it is; None where none of these answers."""
    for kind in (Lsm6dso, Mpu6050):
        try:
            if i2c.readfrom_mem(address, kind.WHO, 1)[0] == kind.IDENTITY:
                return kind(i2c, address)
        except OSError:
            return None
    return None


def _signed(value):
    return value - 65536 if value > 32767 else value
