"""One to four inertial sensors on a board: sampled when their data is ready, averaged, sent.

A reading is the mean of all samples of one sending period, stamped with the mean of their times: vibration
above the sending rate goes out with it instead of folding into tilt, and the stamp stays right. Whatever
falls into a period is sent at its end in the order of the stamps, as the service maps the board's clock.

A sensor that fails its self-test is not sent. It is tested again every five seconds of the first minute (an
engine that starts shakes it), and then only at the next power-on, because a test takes the others half a
second. One that stops answering is looked for every second. As long as one is missing the LED blinks quickly.
"""

import time

import chips

WARMTH_EVERY_MS = 1000
HELLO_EVERY_MS = 5000
AGAIN_MS = 1000
TEST_AGAIN_MS = 5000
TESTS_UNTIL_MS = 60000
INPUTS_EVERY_MS = 1000


class Sensor:
    """One sensor: its number in the packets, where it sits, and the samples of this period."""

    def __init__(self, number, i2c, address, pin=None):
        self.number, self.chip = number, None
        self._i2c, self._address, self._pin = i2c, address, pin
        self._edge = 0
        self._fresh = self.passed = False
        self.celsius = 0.0
        self._clear()
        if pin is not None:
            pin.irq(self._at_edge, pin.IRQ_RISING)

    def _at_edge(self, _pin):
        self._edge = time.ticks_us()
        self._fresh = True

    def _clear(self):
        self._count = self._late = 0
        self._accel, self._gyro = [0.0] * 3, [0.0] * 3

    def begin(self, may_test=True):
        """Find the chip, start and test it; it sends only if all of that went well.

        One that has passed before is not tested again. Whether a test was made.
        """
        self.chip = None
        self._clear()
        tested = False
        try:
            chip = chips.found(self._i2c, self._address)
            if chip is not None and (self.passed or may_test):
                chip.start()
                tested = not self.passed
                self.passed = self.passed or chip.self_test()
                if self.passed:
                    self.chip = chip
                    chip.raw()  # a sample that waits would hold the pin where no edge comes
        except OSError:
            pass
        return tested

    def take(self):
        """Take the sample that is ready, if there is one."""
        if self.chip is None:
            return
        try:
            if self._pin is None:
                if not self.chip.ready():
                    return
                at = time.ticks_us()
            else:
                # An edge that was missed leaves the pin high, and no other would come.
                if not self._fresh and not self._pin.value():
                    return
                at = self._edge if self._fresh else time.ticks_us()
                self._fresh = False
            accel, gyro, self.celsius = self.chip.read()
        except OSError:
            self.chip = None
            return
        if not self._count:
            self._first = at
        self._count += 1
        self._late += time.ticks_diff(at, self._first)
        for i in range(3):
            self._accel[i] += accel[i]
            self._gyro[i] += gyro[i]

    def mean(self):
        """(time, accel, gyro) of the period, None where nothing came; the next period begins."""
        n = self._count
        if not n:
            return None
        at = time.ticks_add(self._first, self._late // n)
        found = at, [one / n for one in self._accel], [one / n for one in self._gyro]
        self._clear()
        return found


class Board:
    """All sensors and switches of one board; call `step` for ever.

    packets: a Packets. sensors: of Sensor. serial: the board's own number, text. led: a function of 0 or 1.
    inputs: pins of switches to ground, bit 0 first.
    """

    def __init__(self, packets, sensors, serial, led, inputs=(), rate_hz=100):
        self._packets, self._sensors, self._serial, self._led = packets, sensors, serial, led
        self._inputs = inputs
        self._period_us = 1000000 // rate_hz
        self._states = -1
        now = time.ticks_ms()
        self._end = time.ticks_add(time.ticks_us(), self._period_us)
        self._hello_at = self._warmth_at = self._inputs_at = now
        self._again_at = time.ticks_add(now, TEST_AGAIN_MS)
        self._tests_until = time.ticks_add(now, TESTS_UNTIL_MS)
        self._due = []
        for sensor in sensors:
            sensor.begin()

    def step(self):
        """Take what is ready, and send at the end of each period."""
        for sensor in self._sensors:
            sensor.take()
        self._look_at_inputs()
        now = time.ticks_us()
        if time.ticks_diff(now, self._end) < 0:
            return
        while time.ticks_diff(now, self._end) >= 0:
            self._end = time.ticks_add(self._end, self._period_us)
        self._send(now)
        self._now_and_then()

    def _look_at_inputs(self):
        if not self._inputs:
            return
        states = 0
        for bit, pin in enumerate(self._inputs):
            states |= (not pin.value()) << bit
        now = time.ticks_ms()
        if states != self._states or time.ticks_diff(now, self._inputs_at) >= 0:
            self._states = states
            self._inputs_at = time.ticks_add(now, INPUTS_EVERY_MS)
            self._due.append((time.ticks_us(), None, states))

    def _send(self, now):
        due, self._due = self._due, []
        for sensor in self._sensors:
            mean = sensor.mean()
            if mean is not None:
                due.append((mean[0], sensor.number, mean[1:]))
        due.sort(key=lambda one: time.ticks_diff(one[0], now))
        for at, number, what in due:
            if number is None:
                self._packets.inputs(at, what)
            else:
                self._packets.imu(at, [(number, what[0], what[1])])

    def _now_and_then(self):
        now = time.ticks_ms()
        well = [sensor for sensor in self._sensors if sensor.chip is not None]
        all_well = len(well) == len(self._sensors)
        # A slow even blink: all is well. A quick one: a sensor is missing.
        self._led(now // (500 if all_well else 100) % 2)
        if time.ticks_diff(now, self._hello_at) >= 0:
            self._hello_at = time.ticks_add(now, HELLO_EVERY_MS)
            for sensor in well:
                self._packets.hello(sensor.number, "{}-{}".format(self._serial, sensor.number)[-24:])
        if well and time.ticks_diff(now, self._warmth_at) >= 0:
            self._warmth_at = time.ticks_add(now, WARMTH_EVERY_MS)
            self._packets.warmth([(sensor.number, sensor.celsius) for sensor in well])
        if not all_well and time.ticks_diff(now, self._again_at) >= 0:
            may_test = time.ticks_diff(now, self._tests_until) < 0
            self._tests_until = self._tests_until if may_test else time.ticks_add(now, -1)
            tested = False
            for sensor in self._sensors:
                if sensor.chip is None and not tested:  # one test at a time
                    tested = sensor.begin(may_test)
            self._again_at = time.ticks_add(time.ticks_ms(), TEST_AGAIN_MS if tested else AGAIN_MS)
