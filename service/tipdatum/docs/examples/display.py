"""A display in a terminal:  python display.py HOST PORT MACHINE_ID   (pip install paho-mqtt)"""

import json
import sys
import time

import paho.mqtt.client as mqtt

if len(sys.argv) != 4:
    sys.exit(__doc__)
host, port, machine = sys.argv[1:]
start, heard, shown, seen = time.monotonic(), None, "", set()


def on_message(client, data, message):
    global heard, shown
    seen.add(message.topic.split("/")[1])  # of every machine there is
    if message.topic != f"tipdatum/{machine}/tip":
        return
    tip, heard = json.loads(message.payload), time.monotonic()
    figures = ((tip["elevation_m"], "elevation"), (tip["deviation_m"], "to the target"))
    shown = "   ".join(f"{name} {'---' if m is None else f'{m:+.3f} m'}" for m, name in figures)
    shown += "   " + tip["quality"]


def absence():
    if heard is not None or time.monotonic() - start < 3:
        return "no figures"
    if not client.is_connected():
        return f"{host}:{port} does not answer as an MQTT broker does"
    return f'nothing comes of "{machine}"; machines here: {", ".join(sorted(seen)) or "none"}'


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_message = on_message
client.on_connect = lambda c, *_: c.subscribe([(f"tipdatum/{machine}/tip", 0), ("tipdatum/+/status", 0)])
try:
    client.connect(host, int(port))
except (OSError, ValueError) as error:
    sys.exit(f"no broker at {host}:{port} ({error}): tipdatum demo and the service's log name the port")
client.loop_start()
while True:  # what is older than half a second is not shown
    fresh = heard is not None and time.monotonic() - heard < 0.5
    print("\r" + (shown if fresh else absence()).ljust(75), end="", flush=True)
    time.sleep(0.05)
