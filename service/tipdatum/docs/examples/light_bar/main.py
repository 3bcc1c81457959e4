# The light bar on a microcontroller with MicroPython: 7 to 15 addressable LEDs on one pin.
# Copy this file, lights.py and settings.py to the board; it needs a network (boot.py) and umqtt.simple.
import binascii
import time

from machine import WDT, Pin, unique_id
from neopixel import NeoPixel
from umqtt.simple import MQTTClient

import settings
from lights import lamps

COUNT = getattr(settings, "LAMPS", 11)
LIGHT = getattr(settings, "LIGHT", (255, 230, 190))  # one warm white: the pattern tells, not the colour
BRIGHTEST = getattr(settings, "BRIGHTEST", 0.4)  # less at night

# A link that stalls inside a message holds check_msg for ever: start anew rather than show what is old.
watchdog = WDT(timeout=5000)
bar = NeoPixel(Pin(settings.LED_PIN, Pin.OUT), COUNT)
texts = {"deviation": "---", "state": ""}
heard = None  # when the newest message came
taken = 0


def show():
    fresh = heard is not None and time.ticks_diff(time.ticks_ms(), heard) < 450
    lit = lamps(texts["deviation"] if fresh else "---", texts["state"], COUNT, time.ticks_ms())
    for i, b in enumerate(lit):
        bar[i] = tuple(int(part * b * b * BRIGHTEST) for part in LIGHT)  # squared: eyes see ratios
    bar.write()


def on_message(topic, payload):
    global heard, taken
    heard, taken = time.ticks_ms(), taken + 1
    texts[topic.decode().split("/")[-1]] = payload.decode()


def connected():
    name = "light-bar-" + binascii.hexlify(unique_id()).decode()
    user, password = getattr(settings, "USER", None), getattr(settings, "PASSWORD", None)
    client = MQTTClient(name, settings.HOST, settings.PORT, user, password, keepalive=10)
    client.set_callback(on_message)
    client.connect()
    for text in texts:
        client.subscribe("tipdatum/{}/text/{}".format(settings.MACHINE, text))
    return client


def take_all(client):
    # A call takes one message; whoever takes one a round shows ever older ones.
    for _ in range(100):
        before = taken
        client.check_msg()
        if taken == before:
            return


while True:
    try:
        watchdog.feed()
        show()
        client = connected()
        pinged = time.ticks_ms()
        while True:
            watchdog.feed()
            take_all(client)
            if time.ticks_diff(time.ticks_ms(), pinged) > 5000:
                client.ping()
                pinged = time.ticks_ms()
            show()
            time.sleep_ms(50)
    except OSError:  # the link or the broker has gone: dark, and try again
        heard = None
        show()
        time.sleep_ms(1000)
