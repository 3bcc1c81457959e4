"""Postures over the working envelope: where the tip may be, and how the arm gets there.

Joint ranges stand for ordinary machines (common practice, no source). There is one envelope for every figure
that is stated over it: the joints' ranges themselves, with nodes and weights of Gauss and Lobatto (Abramowitz
and Stegun, 25.4.32), which hold the ends of every range, where the worst is, and integrate smooth figures to
far below what is printed. Each posture weighs by the area that its tip stands for in the plane of the arm.
A linkage is left out of the envelope near its dead centres, where no machine works.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

BOOM_DEG = (-40.0, 65.0)
"""Boom above the horizontal."""
STICK_DEG = (-155.0, -28.0)
"""Stick relative to the boom."""
SECOND_BOOM_DEG = (-75.0, -45.0, -15.0)
"""Second boom relative to the boom: folded, between, stretched. An envelope takes each in turn, and the two
sections as one boom from the foot to the stick's pin, whose range is the boom's."""
BUCKET_DEG = (-130.0, 45.0)
"""Bucket relative to the stick."""
SWING_DEG = (-50.0, 50.0)
"""How far a boom swings to either side."""
TILT_DEG = (-35.0, 35.0)
"""How far a bucket tilts to either side."""

TRENCHING_DEG = -110.0
"""Bucket against the horizontal while it cuts a level grade: tip down, a little curled."""

ATTITUDES_DEG = (-150.0, -60.0)
"""Range of the bucket's attitude against the horizontal while it works: curled to opened."""

MAP_ATTITUDES_DEG = (-150.0, TRENCHING_DEG, -70.0)
"""Attitudes that the cells of a map are looked at with."""

TRANSMISSION_DEG = 15.0
"""Angle between link and ear below which a linkage is near its dead centre. Texts on mechanisms ask for 40°
(Norton, *Design of Machinery*, 4.10); the linkage of the conventions' check value ends its stroke at 18°."""

NODES = (17, 17, 9)
"""Nodes for boom, stick and bucket."""

SIDE_NODES = (9, 9, 5)
"""The same of an arm that swings or tilts, whose envelope holds them once for every way that it stands."""

NEAR = (0.12, 0.25)
"""Shares of the whole reach between which postures next to the machine fade out of the envelope."""


@dataclass(frozen=True, slots=True)
class Postures:
    """P postures on level ground.

    Attributes:
        reach, height: (P,) m of the tip from the slew centre.
        q: (P, size) rad, as in `tipdatum.kinematics.chain`.
        rocker: (P,) rad absolute, NaN without a linkage.
    """

    reach: Array
    height: Array
    q: Array
    rocker: Array

    def __len__(self) -> int:
        return len(self.reach)

    def take(self, which: NDArray[np.int_]) -> Postures:
        """Only those postures."""
        return Postures(self.reach[which], self.height[which], self.q[which], self.rocker[which])


def reach_points(
    machine: Machine, reach: Array, height: Array, bucket_deg: Array
) -> tuple[Postures, NDArray[np.int_]]:
    """Postures that put the tip at points: elbow up, straight ahead, a second boom half stretched.

    Args:
        reach, height: (P,) m. bucket_deg: (P,) the bucket's angle against the horizontal.

    Returns:
        The postures that exist, and which of the points they are, (K,) indices.
    """
    chain = machine.straight_chain()
    low, high = bucket_range(machine)
    (boom, _), (stick, tip) = _one_boom(machine, HALF_STRETCHED_DEG), chain.lengths[-2:]
    bucket = np.radians(bucket_deg)
    x = reach - tip * np.cos(bucket) + chain.tip_z * np.sin(bucket) - chain.foot[0]
    z = height - tip * np.sin(bucket) - chain.tip_z * np.cos(bucket) - chain.foot[2]
    far = np.hypot(x, z)
    with np.errstate(invalid="ignore", divide="ignore"):
        at_foot = np.arccos((boom**2 + far**2 - stick**2) / (2 * boom * far))
        th_boom = np.arctan2(z, x) + at_foot
        th_stick = np.arctan2(z - boom * np.sin(th_boom), x - boom * np.cos(th_boom))
    q = _q(machine, HALF_STRETCHED_DEG, th_boom, th_stick, bucket)
    with np.errstate(invalid="ignore"):
        fits = (
            np.isfinite(q).all(axis=-1)
            & _inside(th_boom, BOOM_DEG)
            & _inside(th_stick - th_boom, STICK_DEG)
            & _inside(bucket - th_stick, (math.degrees(low), math.degrees(high)))
        )
    rocker = rocker_angles(machine, q)
    if machine.sensor_on("rocker") is not None:
        fits &= np.isfinite(rocker)
    which = np.flatnonzero(fits)
    return Postures(reach, height, beside(machine, q), rocker).take(which), which


def beside(machine: Machine, plane: Array, swing: float | Array = 0.0, tilt: float | Array = 0.0) -> Array:
    """(P, size) rad, from angles (P, 2 + n) of the arm plane: the boom swung and the bucket tilted, rad, all
    alike or each by its own."""
    chain = machine.chain()
    joints = [a for a, place in ((swing, chain.swing), (tilt, chain.tilt)) if place is not None]
    return np.concatenate([plane, *(np.full(len(plane), a)[:, None] for a in joints)], axis=1)


def stands(machine: Machine) -> list[tuple[float, float]]:
    """Swing and tilt, rad, of the ways that an envelope's postures stand: straight, and to either side."""
    chain = machine.chain()
    swings = SWING_DEG if chain.swing is not None else ()
    tilts = TILT_DEG if chain.tilt is not None else ()
    ways = [(0.0, 0.0), *((s, 0.0) for s in swings), *((0.0, t) for t in tilts)]
    return [(math.radians(s), math.radians(t)) for s, t in ways]


def usual_nodes(machine: Machine) -> tuple[int, int, int]:
    """Nodes that figures of this machine are stated with."""
    return NODES if len(stands(machine)) == 1 else SIDE_NODES


def tip_grid(
    machine: Machine, step_m: float = 0.25, attitudes_deg: Sequence[float] = MAP_ATTITUDES_DEG
) -> Postures:
    """Cells of a map: tip positions that the arm reaches, each with every bucket attitude that it allows."""
    chain = machine.straight_chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    reach = np.arange(1.0, out + step_m, step_m)
    height = step_m * np.arange(-math.ceil(out / step_m), math.ceil(out / step_m) + 1)
    r, h, b = (a.ravel() for a in np.meshgrid(reach, height, np.array(attitudes_deg)))
    postures, _ = reach_points(machine, r, h, b)
    return postures


def working_envelope(machine: Machine, nodes: tuple[int, int, int] | None = None) -> tuple[Postures, Array]:
    """The envelope that every figure is stated over: postures, and their weights (P,), which add up to 1.

    Args:
        nodes: for boom, stick and bucket; None: the usual ones.
    """
    chain, nodes = machine.straight_chain(), nodes or usual_nodes(machine)
    low, high = bucket_range(machine)
    (boom_x, boom_w), (stick_x, stick_w), (part_x, part_w) = (_lobatto(n) for n in nodes)
    boom = _spread(boom_x, *np.radians(BOOM_DEG))
    stick = _spread(stick_x, *np.radians(STICK_DEG))
    b, s, part = (a.ravel() for a in np.meshgrid(boom, stick, part_x, indexing="ij"))
    folds = (HALF_STRETCHED_DEG,) if machine.second_boom is None else SECOND_BOOM_DEG
    share = np.tile(np.einsum("i,j,k->ijk", boom_w, stick_w, part_w).ravel(), len(folds))
    each = [_postures_of(machine, fold, b, s, part, low, high) for fold in folds]
    q, wide = np.concatenate([found for found, _ in each]), np.concatenate([span for _, span in each])
    pins = chain.pins(q)
    foot, joint, tip = pins[:, 0], pins[:, -3], pins[:, -1]
    # Area of the tip's plane for a turn of boom and stick: the two levers' cross product.
    area = np.abs((tip - foot)[:, 0] * (tip - joint)[:, 2] - (tip - foot)[:, 2] * (tip - joint)[:, 0])
    out = float(chain.foot[0] + chain.lengths.sum())
    far = np.clip((tip[:, 0] / out - NEAR[0]) / (NEAR[1] - NEAR[0]), 0.0, 1.0)
    weight = share * area * np.maximum(wide, 0.0) * far * far * (3.0 - 2.0 * far)
    inside = (wide > 0.0) & (far > 0.0)
    ways = stands(machine)
    q = np.concatenate([beside(machine, q[inside], *way) for way in ways])
    tip, weight = machine.chain().tip(q), np.tile(weight[inside], len(ways))
    rocker = rocker_angles(machine, q)
    return Postures(tip[:, 0], tip[:, 2], q, rocker), weight / weight.sum()


def near_postures(machine: Machine, q: Array, share: float) -> Postures:
    """Postures of the envelope around one of it, q (size,), within a share of every joint's range.

    A second boom, swing and tilt stay as they are.
    """
    n = 2 + len(machine.sections)
    q, aside = q[:n], q[n:]
    low, high = bucket_range(machine)
    steps = np.linspace(-share, share, 5)
    db, ds, dk = (a.ravel() for a in np.meshgrid(steps, steps, steps))
    boom_ends, stick_ends = np.radians(BOOM_DEG), np.radians(STICK_DEG)
    fold = HALF_STRETCHED_DEG if machine.second_boom is None else math.degrees(float(q[3] - q[2]))
    one = float(q[2]) + _one_boom(machine, fold)[1]
    b = np.clip(one + db * (boom_ends[1] - boom_ends[0]), *boom_ends)
    s = np.clip(q[-2] - one + ds * (stick_ends[1] - stick_ends[0]), *stick_ends)
    whole, wide = _postures_of(machine, fold, b, s, np.zeros_like(b), low, high)
    part = 2.0 * (q[-1] - whole[:, -1]) / np.maximum(wide, 1e-6)
    found, wide = _postures_of(machine, fold, b, s, np.clip(part + 2.0 * dk, -1.0, 1.0), low, high)
    chain = machine.straight_chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    inside = np.flatnonzero((wide > 0.0) & (chain.tip(found)[:, 0] > NEAR[0] * out))
    found = np.concatenate([found, np.broadcast_to(aside, (len(found), len(aside)))], axis=1)
    tip = machine.chain().tip(found)
    return Postures(tip[:, 0], tip[:, 2], found, rocker_angles(machine, found)).take(inside)


HALF_STRETCHED_DEG = SECOND_BOOM_DEG[1]


def _one_boom(machine: Machine, fold_deg: float) -> tuple[float, float]:
    """Length of the line from foot to stick's pin, m, and its angle from the first section, rad."""
    first, second = machine.boom.length_m, machine.second_boom
    if second is None:
        return first, 0.0
    fold = math.radians(fold_deg)
    out, up = first + second.length_m * math.cos(fold), second.length_m * math.sin(fold)
    return math.hypot(out, up), math.atan2(up, out)


def _q(machine: Machine, fold_deg: float, boom: Array, stick: Array, bucket: Array) -> Array:
    """(P, 2 + n) level; `boom` is the angle of the line from foot to stick's pin."""
    level = np.zeros_like(boom)
    first = boom - _one_boom(machine, fold_deg)[1]
    booms = [first] if machine.second_boom is None else [first, first + math.radians(fold_deg)]
    return np.stack([level, level, *booms, stick, bucket], -1)


def _postures_of(
    machine: Machine, fold_deg: float, boom: Array, stick: Array, part: Array, low: float, high: float
) -> tuple[Array, Array]:
    """q (P, 2 + n) for boom, stick to boom, and a place in [-1, 1] of the bucket's range there; width of
    that range.

    The range are the attitudes of work, within what the bucket's joint allows.
    """
    start = np.maximum(math.radians(ATTITUDES_DEG[0]), boom + stick + low)
    end = np.minimum(math.radians(ATTITUDES_DEG[1]), boom + stick + high)
    bucket = (start + end) / 2 + part * (end - start) / 2
    return _q(machine, fold_deg, boom, boom + stick, bucket), end - start


def bucket_range(machine: Machine) -> tuple[float, float]:
    """Lowest and highest angle of the bucket relative to the stick, rad, away from the linkage's dead
    centres."""
    low, high = (math.radians(v) for v in BUCKET_DEG)
    if machine.sensor_on("rocker") is None:
        return low, high
    bar = machine.four_bar()
    angles = np.linspace(low, high, 3501)
    q = np.zeros((len(angles), 2 + len(machine.sections)))
    q[:, -1] = angles
    rocker = rocker_angles(machine, q)
    pin = np.stack(
        [bar.stick + bar.ear * np.cos(angles + bar.ear_angle), bar.ear * np.sin(angles + bar.ear_angle)]
    )
    end = np.stack([bar.pivot_x + bar.rocker * np.cos(rocker), bar.pivot_z + bar.rocker * np.sin(rocker)])
    cosine = ((pin - end) * (pin - np.array([[bar.stick], [0.0]]))).sum(axis=0) / (bar.link * bar.ear)
    good = np.isfinite(rocker) & (np.abs(cosine) < math.cos(math.radians(TRANSMISSION_DEG)))
    if not good.any():
        return low, high
    # The longest run of good angles; a linkage's stroke is one piece.
    edges = np.flatnonzero(np.diff(np.r_[False, good, False].astype(int)))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    first, last = max(runs, key=lambda r: r[1] - r[0])
    return float(angles[first]), float(angles[last - 1])


def reference_posture(machine: Machine, place: tuple[float, float] | None = None) -> Postures:
    """Where a reference is touched: at reach and height, m; None: well out on the ground before the tracks.

    Raises:
        ValueError: the tip does not get there.
    """
    chain = machine.straight_chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    places = [place] if place is not None else [(share * out, 0.0) for share in (0.62, 0.55, 0.7, 0.48)]
    for attitude in (TRENCHING_DEG, -95.0, -80.0, -125.0):
        for reach, height in places:
            at, _ = reach_points(machine, np.array([reach]), np.array([height]), np.array([attitude]))
            if len(at):
                return at
    reach, height = places[0]
    raise ValueError(f"the reference at {reach:.2f} m reach, {height:+.2f} m height is out of reach")


def _lobatto(n: int) -> tuple[Array, Array]:
    """Nodes in [-1, 1], ends included, and weights of Gauss and Lobatto's rule (Abramowitz, Stegun
    25.4.32)."""
    legendre = np.polynomial.legendre.Legendre.basis(n - 1)
    x = np.r_[-1.0, np.sort(np.real(legendre.deriv().roots())), 1.0]
    return x, 2.0 / (n * (n - 1) * legendre(x) ** 2)


def _spread(x: Array, low: float, high: float) -> Array:
    return (low + high) / 2.0 + x * (high - low) / 2.0


def rocker_angles(machine: Machine, q: Array) -> Array:
    """(P,) rad, absolute rocker angle that goes with a posture; NaN without a linkage or where none does."""
    if machine.linkage is None:
        return np.full(len(q), math.nan)
    bar, last = machine.four_bar(), 1 + len(machine.sections)
    wanted = q[:, last] - q[:, last - 1]
    roots = bar.rocker_from_bucket(wanted)
    found = np.full(len(q), math.nan)
    for k in range(2):
        back = bar.bucket_from_rocker(np.nan_to_num(roots[:, k])).bucket
        good = np.isfinite(roots[:, k]) & (np.abs(np.angle(np.exp(1j * (back - wanted)))) < 1e-6)
        # Where both roots serve, the rocker's pivot side away from the stick is the built one.
        better = good & (np.isnan(found) | (np.sin(roots[:, k]) > np.sin(found)))
        found = np.where(better, roots[:, k], found)
    absolute: Array = found + q[:, last - 1]
    return absolute


def _inside(angle: Array, limits_deg: tuple[float, float]) -> NDArray[np.bool_]:
    folded = np.degrees(np.angle(np.exp(1j * angle)))
    inside: NDArray[np.bool_] = (folded >= limits_deg[0]) & (folded <= limits_deg[1])
    return inside
