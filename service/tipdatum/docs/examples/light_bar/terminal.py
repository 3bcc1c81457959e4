"""The light bar in a terminal:  python terminal.py HOST PORT MACHINE_ID [LAMPS]   (pip install paho-mqtt)"""

import sys
import time

import paho.mqtt.client as mqtt
from lights import lamps

if len(sys.argv) not in (4, 5):
    sys.exit(__doc__)
host, port, machine = sys.argv[1:4]
count = int(sys.argv[4]) if len(sys.argv) == 5 else 11
texts, heard = {"deviation": "---", "state": ""}, 0.0


def on_message(client, data, message):
    global heard
    texts[message.topic.split("/")[-1]], heard = message.payload.decode(), time.monotonic()


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_message = on_message
client.on_connect = lambda c, *_: c.subscribe([(f"tipdatum/{machine}/text/{name}", 0) for name in texts])
try:
    client.connect(host, int(port))
except (OSError, ValueError) as error:
    sys.exit(f"no broker at {host}:{port} ({error}): tipdatum demo and the service's log name the port")
client.loop_start()
print("\n" * count)
while True:
    fresh = time.monotonic() - heard < 0.45  # what is older than half a second is not shown
    lit = lamps(texts["deviation"] if fresh else "---", texts["state"], count, int(time.monotonic() * 1000))
    rows = [
        "  ███" if b > 0.9 else "  ▓▓▓" if b > 0.4 else "  ░░░" if b > 0 else "   · " for b in reversed(lit)
    ]
    rows[count // 2] += " ◂"
    said = f"  {texts['deviation']}, {texts['state']}" if fresh else "  no figures"
    print(f"\x1b[{count + 1}F" + "\n".join(row.ljust(8) for row in rows) + "\n" + said.ljust(70), flush=True)
    time.sleep(0.1)
