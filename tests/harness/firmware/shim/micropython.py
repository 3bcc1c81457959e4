"""What main.py uses of the module of the same name."""


def kbd_intr(character):
    assert character == -1
