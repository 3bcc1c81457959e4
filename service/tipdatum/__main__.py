"""`tipdatum`, and `python -m tipdatum`."""

# The built-in part alone: `signal` itself imports more, and Ctrl-C may come meanwhile.
import _signal  # type: ignore[import-not-found]

# Until there is a command to interrupt, Ctrl-C ends the process as it ends any other, without a word.
# Where it is ignored (a shell's `nohup`), it stays so.
if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:
    _signal.signal(_signal.SIGINT, _signal.SIG_DFL)

from tipdatum.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
