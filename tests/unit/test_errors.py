"""Errors keep their words and parts on the way to another process."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from tipdatum.errors import (
    ConfigError,
    InputError,
    PortError,
    SessionError,
    TipdatumError,
    UnknownKeyError,
    with_place,
)
from tipdatum.fusion.chain.update import update


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


def test_a_defect_is_told_with_the_line_of_ours_that_it_was_noticed_in() -> None:
    with pytest.raises(np.linalg.LinAlgError) as caught:
        update(np.zeros(2), -2.0 * np.eye(2), np.eye(2), np.zeros(2), np.eye(2))
    told = with_place(caught.value)
    assert told.startswith("LinAlgError: Matrix is not positive definite at update.py:")


def test_a_defect_that_never_reached_our_lines_has_no_place() -> None:
    assert with_place(ZeroDivisionError("division by zero")) == "ZeroDivisionError: division by zero"
