"""One tick: from the pose to the figures that are published, and what their sigma is made of."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from tipdatum.errors import CommandRefused
from tipdatum.fusion.pose import Pose
from tipdatum.grade.as_dug import hang_of
from tipdatum.grade.edge import Edge
from tipdatum.grade.forms import Nothing, Outcome, Request, done
from tipdatum.grade.limits import WatchedPoints, watch
from tipdatum.grade.report import (
    Against,
    LimitReport,
    Spot,
    TipReport,
    bucket_floor_rad,
    measure,
    outline_spots,
)
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.surfaces import BelowPlane, Level, Surface
from tipdatum.grade.touch import Moment
from tipdatum.grade.worth import Worth
from tipdatum.kinematics.chain import Located
from tipdatum.kinematics.frames import Array
from tipdatum.sentences import recognised, sentence

RATE_STEP_S: Final = 0.01
"""Step of the finite difference that turns joint rates into the points' velocities, s."""


def figures(site: Site, pose: Pose, located: Located | None) -> TipReport:
    """The figures of `pose`; also notes the moment for touches and the receivers' paths.

    Args:
        located: the arm at `pose`; None while the pose is not known.

    Raises:
        ArithmeticError: the pose holds something that is no number, which nobody may see as a figure.
    """
    if located is None:
        site.recent.forget()
        site.edge.lost()
        for receiver in site.receivers.values():
            receiver.forget()
        limits = tuple(
            LimitReport(one.kind, "unknown", None, None, None, recognised(f"arm {pose.quality}"), one.note)
            for one in site.state.limits
        )
        return TipReport.unknown(pose.t, pose.quality, pose.reasons, site.datum, limits)
    pins = located.pins
    reach, lateral, height = pins[-1]
    (_, _, left), (_, _, right) = located.corners
    heave = pose.heave_m
    worth = Worth(site, pose, located)
    sigma, bare = worth.tip, worth.height
    site.recent.add(
        Moment(pose.t, height + heave, left + heave, right + heave, reach, lateral, pose.slew_rad, bare)
    )
    for receiver in site.receivers.values():
        receiver.follow(pose, site.chain, pins)

    offset = None if site.tie is None else site.tie.instrument_m(pose) + heave
    if not math.isfinite(reach + lateral + height + sigma + worth.prediction + (offset or 0.0)):
        raise ArithmeticError(sentence("pose-no-number"))
    state, reasons, against = site.state, pose.reasons, None
    if state.target is not None:
        found = _against(site, pose, located, offset, worth)
        if isinstance(found, str):
            reasons = (*reasons, found)
        else:
            against = found
    cutting = None
    if offset is None:
        site.edge.lost()
    else:
        hang = hang_of(pins[-2], pins[-1])
        cutting = site.edge.follow(pose.t, reach, height + offset, math.degrees(pose.slew_rad), hang)
    pitch, roll = site.chain.upper(pose.angles)
    # Without tilt a corner differs from the tip by the roll alone; where that matters the corner governs.
    told = offset is not None and site.chain.tilt is not None
    return TipReport(
        t=pose.t,
        height_m=height,
        elevation_m=None if offset is None else height + offset,
        left_m=None if offset is None else left + offset,
        right_m=None if offset is None else right + offset,
        reach_m=reach,
        lateral_m=lateral,
        sigma_m=sigma,
        sigma_prediction_m=worth.prediction,
        quality=pose.quality,
        reasons=reasons,
        datum=site.datum,
        deviation_m=against.deviation_m if against else None,
        pins=pins,
        offset_m=offset,
        slew_rad=pose.slew_rad,
        pitch_rad=pitch,
        roll_rad=roll,
        against=against,
        limits=_limits(site, pose, offset, worth) if state.limits else (),
        cutting=cutting,
        edge=_edge(site, pose, located, against),
        left_sigma_m=worth.of("left") if told else None,
        right_sigma_m=worth.of("right") if told else None,
    )


def _edge(site: Site, pose: Pose, located: Located, against: Against | None) -> Edge:
    edge = (site.chain, pose.angles, located, pose.spread)
    if against is None:
        return Edge(*edge)
    return Edge(*edge, against.ahead.surface, against.ahead.line, pose.slew_rad)


def _against(
    site: Site, pose: Pose, located: Located, offset: float | None, worth: Worth
) -> Against | str | None:
    """Figures against the target; where they are not known although they should be, the reason."""
    state = site.state
    target, line = state.target, state.line
    assert target is not None
    bucket = site.machine.bucket[0]
    theta = pose.angles[site.chain.bucket]
    sigma_of: Callable[[str, int], float] = worth.of
    layer = next((one for one in state.layers if one.name == state.layer), None)
    if isinstance(target, BelowPlane):
        fix = state.beam_fix
        if fix is None:
            return sentence("plane-not-crossed")
        # Heights above the slew centre at rest: neither reference nor station is needed.
        lift, line = pose.heave_m, None
        reach, _, _ = located.pins[-1]
        design = fix.height_m + target.grade * (reach - fix.reach_m) - target.depth_m
        surface: Surface = Level(elevation_m=design)
        beam_m = fix.sigma_m

        def sigma_of(name: str, heel: int) -> float:
            return math.hypot(worth.height_of(name, heel), beam_m)
    else:
        if offset is None or site.datum != "set":
            return None
        if not isinstance(target, Level) and (line is None or line.lost or state.travelled):
            return sentence("station-unknown")
        lift, surface = offset, target
        if line is not None and line.lost:
            line = None
    tip, left, right = (Spot(r, across, h + lift) for r, across, h in (located.pins[-1], *located.corners))
    found = measure(
        surface,
        layer.up_m if layer else 0.0,
        line,
        pose.slew_rad,
        tip,
        left,
        right,
        outline_spots(bucket, site.chain, located.pins[-2], pose.angles, lift),
        sigma_of,
        state.tolerance,
        bucket_floor_rad(bucket, theta),
    )
    return sentence("outside-profile") if found is None else found


def _limits(site: Site, pose: Pose, offset: float | None, worth: Worth) -> tuple[LimitReport, ...]:
    limits = site.state.limits
    chain, bucket = site.chain, site.machine.bucket[0]
    names = ["boom foot", *(f"{name} end" for name in chain.names[:-1]), "tip", "left corner", "right corner"]

    def points(q: Sequence[float]) -> Array:
        arm = chain.locate(q)
        outline = outline_spots(bucket, chain, arm.pins[-2], q, 0.0)
        if bucket.pin_m is not None:
            # The pin on which a coupler holds the bucket is the knee of the two.
            knee = chain.point(q, (bucket.pin_m[0], 0.0, bucket.pin_m[1]))[0]
            outline = [*outline, Spot(*knee)]
        heel = [(spot.reach_m, spot.lateral_m, spot.elevation_m) for spot in outline]
        return np.array([*arm.pins, *arm.corners, *heel])

    here = points(pose.angles)
    soon = [angle + rate * RATE_STEP_S for angle, rate in zip(pose.angles, pose.rates, strict=True)]
    velocity = (points(soon) - here) / RATE_STEP_S
    names += ["bucket outline"] * (len(here) - len(names))
    if bucket.pin_m is not None:
        names[-1] = "coupler end"
    margin = np.array([1.0 if name.endswith(("end", "foot")) else 0.0 for name in names])
    # Pins are surer than the tip, by how much is not worth reckoning; corners are not.
    sigma = np.full(len(names), worth.tip)
    sigma[names.index("left corner")] = worth.of("left")
    sigma[names.index("right corner")] = worth.of("right")
    body = WatchedPoints(
        names=names,
        points=here,
        velocities=velocity,
        margin=margin,
        sigma_m=sigma,
        slew_rad=pose.slew_rad if pose.slew_known else None,
        slew_rate=pose.slew_rate_radps,
    )
    return tuple(watch(limit, body, offset, site.datum) for limit in limits)


CAUSES = ("angles", "prediction", "geometry", "touch", "known", "heave", "play", "temperature", "moved")
"""Every cause, in the order of the way from sensor to figure; `why-<cause>` says it."""

SMALL: Final = 0.005
"""A share below this is not worth a word."""


def variances(site: Site) -> dict[str, float]:
    """m² by cause; their sum is the square of the sigma published at the last tick.

    Raises:
        CommandRefused: the arm is not known, so that there is no figure.
    """
    pose = site.known_pose()
    located = site.chain.locate(pose.angles)
    variance, ahead = pose.spread.along(located.height_jacobian)
    variance = max(variance, 0.0)
    if site.tie is None:
        causes = {"angles": variance}
    else:
        sigma = site.tie.sigma(pose, located, variance, site.machine, site.moved_m)
        causes = {name: getattr(sigma, name) ** 2 for name in CAUSES if name != "prediction"}
    # What comes from predicting is a part of what the angles are worth.
    causes["prediction"] = min(max(ahead, 0.0), causes["angles"])
    causes["angles"] -= causes["prediction"]
    return {name: causes[name] for name in CAUSES if name in causes}


def why(site: Site, body: Nothing, request: Request) -> Outcome:
    """Say what makes the present sigma."""
    causes = variances(site)
    total = sum(causes.values())
    if total == 0.0:
        raise CommandRefused(sentence("why-nothing"))
    shares = {name: part / total for name, part in causes.items()}
    parts = [
        sentence(f"why-{name}", part_share=share, sigma_tenths_m=math.sqrt(causes[name]))
        for name, share in sorted(shares.items(), key=lambda item: -item[1])
        if share >= SMALL
    ]
    bare = "" if site.tie is not None else sentence("why-height")
    return done(
        request,
        sentence("why-sigma", sigma_tenths_m=math.sqrt(total), parts=parts) + bare,
        sigma_m=math.sqrt(total),
        variance_m2=causes,
        share=shares,
    )


COMMANDS = {"tip/why": Spec(Nothing, why, "Say what the present figure's sigma is made of.", undoable=False)}
