from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

_Reals: TypeAlias = NDArray[np.float64]
_Complexes: TypeAlias = NDArray[np.complex128]

def block(
    rows: list[_Reals], start: float, epochs: int, epoch_s: float, turn: _Reals, offset: _Reals, /
) -> tuple[
    _Complexes,
    _Reals,
    _Complexes,
    _Reals,
    _Complexes,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    list[int],
]: ...
def motion(
    x: _Reals,
    rate: _Complexes,
    rate_y: _Reals,
    rate_slope: _Reals,
    weight: _Reals,
    warmth: _Reals,
    epoch_s: float,
    plane_rate_before: float,
    /,
) -> tuple[
    _Reals,
    _Complexes,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    float,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    _Reals,
    float,
]: ...
def forward(
    x: _Reals,
    F: _Reals,
    epochs: tuple[_Complexes, _Reals, _Reals, _Reals],
    mean: tuple[_Reals, _Reals, float, float, _Reals, float],
    state: _Reals,
    block: tuple[_Complexes, _Reals, _Complexes, _Reals, _Reals],
    acceleration: _Reals,
    warmth: _Reals,
    epoch_s: float,
    gravity: float,
    on_upper: bool,
    /,
) -> _Reals: ...
def foresee(
    x: _Reals,
    ways: _Complexes,
    own: NDArray[np.intp],
    y: _Reals,
    follow: _Reals,
    offset: _Reals,
    epochs: tuple[_Reals, _Complexes, _Reals, _Reals],
    before: _Reals | None,
    epoch_s: float,
    on_upper: bool,
    /,
) -> tuple[_Reals, _Reals, _Reals, _Complexes, _Reals]: ...
def measure(
    x: _Reals,
    F: _Reals,
    levers: tuple[_Complexes, _Reals, _Reals, _Reals],
    expected: tuple[_Reals, _Reals],
    advanced: _Reals,
    motion: tuple[_Reals, _Reals, _Reals, _Reals, _Reals, _Reals, float, _Reals, _Reals, _Reals],
    missed: _Reals,
    noise: tuple[_Reals, _Reals, float, float, _Reals],
    span: float,
    geometry: bool,
    on_upper: bool,
    /,
) -> tuple[_Reals, _Reals, _Reals]: ...
def carry(P: _Reals, F: _Reals, /) -> None: ...
def innovate(
    P: _Reals, H: _Reals, R: _Reals, z: _Reals, noise: _Reals, /
) -> tuple[_Reals, _Reals, list[float]]: ...
def gain(x: _Reals, P: _Reals, HP: _Reals, S: _Reals, z: _Reals, /) -> bool: ...
def add_noise(
    P: _Reals,
    noise: _Reals,
    seen: tuple[_Reals, _Reals, _Reals, _Reals, _Reals],
    heard: tuple[_Reals, _Reals],
    parts: tuple[_Reals, list[float], list[float], _Reals],
    rules: tuple[float, float, float, float, float, float],
    span: float,
    warm: float,
    warming: float,
    /,
) -> tuple[_Reals, float, float, list[int]]: ...
def free_constants(x: _Reals, warmth: _Reals, turn: _Reals, offset: _Reals, /) -> tuple[_Reals, _Reals]: ...
def compare(
    t: _Reals,
    span: _Reals,
    unknown: _Reals,
    shake: _Reals,
    unseen: _Reals,
    odd: _Reals,
    now: float,
    since: float,
    found: float,
    moved: float,
    rules: tuple[float, ...],
    windows: _Reals,
    /,
) -> tuple[_Reals, _Reals, _Reals | None]: ...
def apart(
    roll: _Reals,
    plane: _Reals,
    gyro: NDArray[np.bool_],
    rate: _Reals,
    unseen: float,
    rules: tuple[float, float],
    /,
) -> _Reals: ...
