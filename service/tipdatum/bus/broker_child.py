"""The embedded broker's own process: python -m tipdatum.bus.broker_child CONFIG.toml

It serves until its standard input closes, which it does when the parent says so or dies.
"""

from __future__ import annotations

import logging
import os
import sys
import threading


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os._exit(0)  # the broker has no way to be asked


def main() -> None:
    """Run the broker that the configuration file describes."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    logging.disable()  # it reports every packet as an error
    from iotcore import Broker

    Broker(config_path=sys.argv[1]).run_forever()


if __name__ == "__main__":
    main()
