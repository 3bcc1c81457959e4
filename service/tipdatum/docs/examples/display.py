"""A display in a terminal:  python display.py HOST PORT MACHINE_ID   (pip install paho-mqtt)"""

import json
import sys
import time

import paho.mqtt.client as mqtt

host, port, machine = sys.argv[1], int(sys.argv[2]), sys.argv[3]
heard, shown = 0.0, "---"


def on_message(client, data, message):
    global heard, shown
    tip, heard = json.loads(message.payload), time.monotonic()
    figures = ((tip["elevation_m"], "elevation"), (tip["deviation_m"], "to the target"))
    shown = (
        "   ".join(f"{name} {'---' if m is None else f'{m:+.3f} m'}" for m, name in figures)
        + "   "
        + tip["quality"]
    )


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_message = on_message
client.on_connect = lambda c, *_: c.subscribe(f"tipdatum/{machine}/tip")
client.connect(host, port)
client.loop_start()
while True:  # what is older than half a second is not shown
    print("\r" + (shown if time.monotonic() - heard < 0.5 else "no figures").ljust(70), end="", flush=True)
    time.sleep(0.2)
