"""The low-pass of an inclinometer's angle, against scipy's linear systems and textbook limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from tipdatum.fusion.tilt_tracks import NEAR_RAD, OMEGA_RADPS, LowPass, TiltTrack


@pytest.mark.parametrize("omega", [OMEGA_RADPS, 8.0])
def test_the_low_pass_is_a_critically_damped_second_order_one(omega: float) -> None:
    """Against scipy's simulation of ω²/(s + ω)² with straight lines between uneven samples."""
    rng = np.random.default_rng(3)
    t = np.concatenate([[0.0], np.cumsum(rng.choice([0.01, 0.02, 0.07], 200))])
    y = np.cumsum(rng.normal(size=len(t))) * 0.1
    even = np.arange(0.0, t[-1], 1e-3)
    system = ([omega**2], [1.0, 2.0 * omega, omega**2])
    _, out, _ = signal.lsim(system, np.interp(even, t, y - y[0]), even)
    low = LowPass(float(y[0]))
    values = [float(y[0])]
    for k in range(1, len(t)):
        low.add(omega, float(t[k] - t[k - 1]), float(y[k - 1]), float(y[k]))
        values.append(low.value)
    expected = np.interp(t[:-1], even, out + y[0])
    assert np.array(values[:-1]) == pytest.approx(expected, abs=2e-3)


def test_noise_left_at_rest_is_below_what_the_low_pass_alone_would_leave() -> None:
    """Band of the low-pass: ω/4 (1 + ω²τ²) by the integral of its squared response (white noise)."""
    rng = np.random.default_rng(2)
    lag, period, sigma = 0.2, 0.02, 0.0005
    track = TiltTrack(lag, sigma)
    track.restart(0.0, 0.3)
    low = LowPass(0.3)
    left, shown, plain = [], 0.3, []
    for k in range(1, 20000):
        now = 0.3 + sigma * float(rng.normal())
        low.add(OMEGA_RADPS, period, shown, now)
        track.add(period * k, now)
        shown = now
        left.append(track.angle - 0.3)
        plain.append(low.value + lag * low.rate - 0.3)
    stated = sigma**2 * period * OMEGA_RADPS / 4.0 * (1.0 + (OMEGA_RADPS * lag) ** 2)
    assert np.var(plain[500:]) == pytest.approx(stated, rel=0.15)
    assert np.var(left[500:]) < 0.6 * stated
    assert track.variance(period) >= stated


def test_a_steady_turn_is_followed_two_over_omega_late_and_its_doubt_says_so() -> None:
    """A critically damped low-pass follows a ramp 2/ω late (final value theorem), whatever the part's lag."""
    for lag in (0.0, 0.1, 0.5):
        track = TiltTrack(lag, 1e-4)
        track.restart(0.0, 0.0)
        rate, shown = 0.2, 0.0
        for k in range(1, 500):
            shown += (1.0 - math.exp(-0.02 / lag) if lag else 1.0) * (rate * 0.02 * k - shown)
            track.add(0.02 * k, shown)
        late = rate * 0.02 * 499 - track.angle
        assert late == pytest.approx(rate * 2.0 / OMEGA_RADPS, rel=0.05)
        assert track.rate == pytest.approx(rate, rel=0.02)
        assert 0.4 * late < math.sqrt(track.variance(0.02)) < 2.0 * late
        assert track.pace == pytest.approx(rate, rel=0.1)


def test_a_shock_moves_the_angle_by_little_and_its_doubt_by_as_much() -> None:
    """A short rectangle, height h and width d, moves a critically damped low-pass by hωd/e (its response)."""
    track = TiltTrack(0.0, 1e-4)
    track.restart(0.0, -1.2)
    off = []
    for k in range(1, 600):
        thrown = 300 <= k < 305
        track.add(0.01 * k, 1.5 if thrown else -1.2)
        off.append(track.angle + 1.2)
        assert abs(off[-1]) < 2.0 * math.sqrt(track.variance(0.01)) + 0.1 * NEAR_RAD
    assert 0.0 < max(off) < 0.5 * OMEGA_RADPS * 0.06 / math.e * 1.2
    assert abs(off[-1]) < 0.5 * NEAR_RAD


def test_a_bucket_that_curls_as_fast_as_it_can_is_followed() -> None:
    track = TiltTrack(0.0, 1e-4)
    track.restart(0.0, 0.0)
    for k in range(1, 200):
        track.add(0.01 * k, 1.8 * 0.01 * k)
    assert 1.8 * 1.99 - track.angle == pytest.approx(1.8 * 2.0 / OMEGA_RADPS, rel=0.05)


def test_a_creep_is_never_hidden_for_long() -> None:
    """What the mean takes out is at most 2/√27 of δ: the largest x - x³/δ² below δ (differentiation)."""
    track = TiltTrack(0.0, 1e-4)
    track.restart(0.0, 0.0)
    low = LowPass(0.0)
    most, angle = 0.0, 0.0
    for k in range(1, 2000):
        before, angle = angle, 0.002 * 0.02 * k
        low.add(OMEGA_RADPS, 0.02, before, angle)
        track.add(0.02 * k, angle)
        most = max(most, abs(low.value - track.angle))
    assert 0.3 * NEAR_RAD < most <= 2.0 / math.sqrt(27.0) * NEAR_RAD * 1.001
