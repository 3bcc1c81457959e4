"""What happens to a display: 50 s of figures, 3 s of silence, figures, 4 s without a link, figures."""

ENDS_MS = 70000
clients = []


def speaks(ms):
    return not 50000 <= ms < 53000


def down():
    import time

    return 58000 <= time.now_ms() < 62000
