"""A broker's other end in simulated time: fifteen texts a second, and the link's accidents."""

import time

import running

TEXTS = (("elevation", "{:.3f} m"), ("deviation", "cut {:.3f} m"), ("state", "good"))


class MQTTClient:
    def __init__(self, name, host, port, user=None, password=None, keepalive=0):
        running.clients.append((name, user, password, keepalive))
        self._queue = []
        self._wanted = []

    def set_callback(self, callback):
        self._callback = callback

    def connect(self):
        if running.down():
            raise OSError(113)
        self._sent = time.now_ms()

    def subscribe(self, topic):
        self._wanted.append(topic)

    def ping(self):
        if running.down():
            raise OSError(104)

    def check_msg(self):
        """One message a call, as the real one."""
        if running.down():
            raise OSError(104)
        while time.now_ms() - self._sent >= 200:
            self._sent += 200
            if running.speaks(self._sent):
                for name, text in TEXTS:
                    topic = [t for t in self._wanted if t.endswith("/" + name)]
                    # The figure is the time at which it was sent, so that its age can be read.
                    self._queue += [(t, text.format(self._sent / 1000)) for t in topic]
        if self._queue:
            topic, text = self._queue.pop(0)
            self._callback(topic.encode(), text.encode())
