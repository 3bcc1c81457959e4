"""`tipdatum`, and `python -m tipdatum`."""

import signal

# Until there is a command to interrupt, Ctrl-C ends the process as it ends any other, without a word.
# Where it is ignored (a shell's `nohup`), it stays so.
if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    signal.signal(signal.SIGINT, signal.SIG_DFL)

from tipdatum.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
