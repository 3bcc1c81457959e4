"""Why the present figure is worth what it says: the variances that add up to its sigma squared."""

from __future__ import annotations

import math

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import Nothing, Outcome, Request, done
from tipdatum.grade.site import Site, Spec

WORDS = {
    "angles": "the arm's angles, from the touch to now",
    "prediction": "predicting to this moment",
    "geometry": "lengths of the description",
    "touch": "how the tip stood on the mark",
    "known": "the mark's own elevation, as it was carried here",
    "heave": "heave of the machine",
    "play": "play in the pins",
    "temperature": "temperature since the calibration",
}
"""Every cause and what it is called, in the order of the way from sensor to figure."""

SMALL = 0.005
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
        sigma = site.tie.sigma(pose, located, variance, site.machine)
        causes = {name: getattr(sigma, name) ** 2 for name in WORDS if name != "prediction"}
    # What comes from predicting is a part of what the angles are worth.
    causes["prediction"] = min(max(ahead, 0.0), causes["angles"])
    causes["angles"] -= causes["prediction"]
    return {name: causes[name] for name in WORDS if name in causes}


def why(site: Site, body: Nothing, request: Request) -> Outcome:
    """Say what makes the present sigma."""
    causes = variances(site)
    total = sum(causes.values())
    if total == 0.0:
        raise CommandRefused("Everything counts as exact: the figure has no sigma.")
    shares = {name: part / total for name, part in causes.items()}
    parts = ", ".join(
        f"{share * 100:.0f} % {WORDS[name]} ({math.sqrt(causes[name]) * 1000:.1f} mm)"
        for name, share in sorted(shares.items(), key=lambda item: -item[1])
        if share >= SMALL
    )
    reference = "" if site.tie is not None else " There is no reference: this is for the bare height."
    return done(
        request,
        f"One sigma is {math.sqrt(total) * 1000:.1f} mm. Of its square: {parts}.{reference}",
        sigma_m=math.sqrt(total),
        variance_m2=causes,
        share=shares,
    )


COMMANDS = {"tip/why": Spec(Nothing, why, "Say what the present figure's sigma is made of.", undoable=False)}
