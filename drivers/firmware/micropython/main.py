# Sends one to four inertial sensors as packets (see the page firmware.md). For RP2040 and ESP32 boards with
# MicroPython: copy this file, board.py, chips.py, settings.py and ../tipdatum_packets.py to the board and put
# your wiring into settings.py. Figures made of it are advisory, no safety device.
import binascii
import sys

import machine
import micropython

import settings
from board import Board, Sensor
from tipdatum_packets import Packets

TICKS_BITS = 30  # where MicroPython's counter of microseconds wraps

if settings.UART is None:
    micropython.kbd_intr(-1)  # the line carries numbers, and none of them is Ctrl-C
    write = sys.stdout.buffer.write
else:
    number, baud, tx = settings.UART
    write = machine.UART(number, baud, tx=machine.Pin(tx)).write

buses = [
    machine.I2C(bus["id"], sda=machine.Pin(bus["sda"]), scl=machine.Pin(bus["scl"]), freq=400000)
    for bus in settings.BUSES
]
sensors = [
    Sensor(n, buses[bus], address, None if pin is None else machine.Pin(pin, machine.Pin.IN))
    for n, bus, address, pin in settings.SENSORS
]
inputs = [machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP) for pin in settings.INPUTS]
serial = binascii.hexlify(machine.unique_id()).decode()
led = machine.Pin(settings.LED, machine.Pin.OUT)

board = Board(Packets(write, TICKS_BITS), sensors, serial, led.value, inputs, settings.RATE_HZ)
while True:
    board.step()
