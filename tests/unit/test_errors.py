"""Errors keep their words and parts on the way to another process."""

from __future__ import annotations

import pickle

import pytest

from tipdatum.errors import ConfigError, InputError, PortError, SessionError, TipdatumError, UnknownKeyError


@pytest.mark.parametrize(
    "error",
    [
        InputError("say where the messages go"),
        ConfigError("m.toml", "boom.length_m", "4600", "metres"),
        UnknownKeyError("m.toml", "boom.lenght_m", "length_m", ["foot_m", "length_m"]),
        SessionError("dig.ndjson", 3, "'{'", "JSON"),
        PortError("nothing listens", retry_helps=True),
    ],
    ids=lambda error: type(error).__name__,
)
def test_an_error_survives_being_sent(error: TipdatumError) -> None:
    received = pickle.loads(pickle.dumps(error))
    assert type(received) is type(error)
    assert str(received) == str(error)
    assert vars(received) == vars(error)
