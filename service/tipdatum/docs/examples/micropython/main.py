# A display on a microcontroller with MicroPython: three lines of text, no JSON.
# Needs a network connection (boot.py) and the module umqtt.simple, which comes with most builds.
import time

from umqtt.simple import MQTTClient

from settings import HOST, MACHINE, PORT

lines = {"elevation": "---", "deviation": "---", "state": "no figures"}
heard = None


def show():
    # Put the driver of your screen here; this one is the serial console.
    print(" | ".join((lines["elevation"], lines["deviation"], lines["state"])))


def on_message(topic, payload):
    global heard
    heard = time.ticks_ms()
    lines[topic.decode().split("/")[-1]] = payload.decode()


client = MQTTClient("small-display", HOST, PORT, keepalive=10)
client.set_callback(on_message)
client.connect()
for name in lines:
    client.subscribe("tipdatum/{}/text/{}".format(MACHINE, name))

pinged = time.ticks_ms()
while True:
    client.check_msg()
    if heard is not None and time.ticks_diff(time.ticks_ms(), heard) > 500:
        lines.update(elevation="---", deviation="---", state="no figures")  # never show what is old
        heard = None
    if time.ticks_diff(time.ticks_ms(), pinged) > 5000:
        client.ping()
        pinged = time.ticks_ms()
    show()
    time.sleep_ms(100)
