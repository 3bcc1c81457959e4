# A display on a microcontroller with MicroPython: three lines of text, no JSON.
# Needs a network connection (boot.py) and the module umqtt.simple, which comes with most builds.
import binascii
import time

from umqtt.simple import MQTTClient

import settings

try:
    from machine import unique_id  # one client id a board: two of one id throw each other out

    NAME = "display-" + binascii.hexlify(unique_id()).decode()
except ImportError:
    NAME = "small-display"

try:
    from machine import WDT

    # A link that stalls inside a message holds check_msg for ever: start anew rather than show what is old.
    watchdog = WDT(timeout=5000)
except ImportError:
    watchdog = None

lines = {"elevation": "---", "deviation": "---", "state": "no figures"}
heard = None  # when the newest message came
taken = 0  # messages so far


def show():
    # Put the driver of your screen here; this one is the serial console.
    print(" | ".join((lines["elevation"], lines["deviation"], lines["state"])))


def blank():
    global heard
    lines.update(elevation="---", deviation="---", state="no figures")
    heard = None


def alive():
    if watchdog is not None:
        watchdog.feed()


def on_message(topic, payload):
    global heard, taken
    heard, taken = time.ticks_ms(), taken + 1
    lines[topic.decode().split("/")[-1]] = payload.decode()


def connected():
    user, password = getattr(settings, "USER", None), getattr(settings, "PASSWORD", None)
    client = MQTTClient(NAME, settings.HOST, settings.PORT, user, password, keepalive=10)
    client.set_callback(on_message)
    client.connect()
    for name in lines:
        client.subscribe("tipdatum/{}/text/{}".format(settings.MACHINE, name))
    return client


def take_all(client):
    # A call takes one message, and fifteen come a second: whoever takes one a round shows ever older ones.
    for _ in range(100):
        before = taken
        client.check_msg()
        if taken == before:
            return


while True:
    try:
        alive()
        client = connected()
        pinged = time.ticks_ms()
        while True:
            alive()
            take_all(client)
            if heard is not None and time.ticks_diff(time.ticks_ms(), heard) > 500:
                blank()  # never show what is old
            if time.ticks_diff(time.ticks_ms(), pinged) > 5000:
                client.ping()
                pinged = time.ticks_ms()
            show()
            time.sleep_ms(100)
    except OSError:  # the link or the broker has gone: no figure, and try again
        blank()
        show()
        time.sleep_ms(1000)
