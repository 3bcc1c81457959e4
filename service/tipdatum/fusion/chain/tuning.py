"""Figures of the chain filter that are not in the machine description, each with its reason."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class ChainOptions(BaseModel):
    """Options of the chain estimator; the defaults suit excavators of 1 to 50 t."""

    model_config = ConfigDict(extra="forbid")

    epoch_s: Annotated[float, Field(ge=0.01, le=0.2)] = 0.05
    """Span over which motion counts as even, s. Shorter costs time, longer blurs fast reversals."""
    quick_epochs: Annotated[int, Field(ge=1, le=10)] = 3
    """Epochs to one step of the filter: covariances and gains are worked out once for all of them."""
    epochs: Annotated[int, Field(ge=1, le=10)] = 5
    """The same while no body turns faster than `quick_radps`; never fewer than `quick_epochs`."""
    quick_radps: NotNegative = 0.2
    """Rate from which blocks are short, rad/s: fast reversals come there."""
    calm_epochs: Annotated[int, Field(ge=1, le=20)] = 10
    """The same while no body turns faster than `calm_radps`; never fewer than `quick_epochs`."""
    calm_radps: NotNegative = 0.06
    """Rate up to which the arm counts as hardly moving, rad/s: 0.4 m/s at 7 m of reach."""
    levelling_sigma_deg: Positive = 0.1
    """1-sigma of a mount levelled to gravity at the posture in which the service starts, where the
    description does not give `mount_sigma_deg`: a second of averaging on a running engine."""
    mount_sigma_deg: Positive = 0.6
    """1-sigma of a mount's angles where the description does not say, degrees: fitted by eye."""
    scale_sigma: Positive = 0.005
    """1-sigma of scale errors, accelerometers and gyros: low-cost data sheets say up to 0.5 to 1 %."""
    gyro_start_sigma_radps: Positive = 0.02
    """Least 1-sigma of a gyro's bias at switch-on, rad/s (1 °/s: common for low-cost parts)."""
    gyro_walk: NotNegative = 8e-5
    """Walk of a gyro's bias, rad/s/√s: follows a warm-up of 0.3 °/s in 150 s with millimetres of error."""
    constant_walk: NotNegative = 4.5e-6
    """Walk of scale errors (1) and mounts (rad), /√s: 0.03 % or 0.015° in an hour. Nothing that is called
    constant may be known ever better on a long day."""
    memory_s: Positive = 50.0
    """Time over which knowledge of scale errors, mounts and accelerometer biases fades towards that of the
    start, s: what their estimates take from one minute of work holds, what hours of it would add does not."""
    learn_class: bool = True
    """Whether what is learnt of the sensors also says how good parts of their kind are."""
    accel_walk: NotNegative = 2e-4
    """Walk of an accelerometer's bias, m/s²/√s."""
    shake_share: NotNegative = 0.3
    """Share of the spread of the force within an epoch that counts as noise, 1: sampling folds parts of a
    vibration down to slow, which white noise of its mean alone would not cover."""
    adaptation: NotNegative = 0.3
    """Share of the innovations' persistence that counts as acceleration noise, 1; 0 does not adapt."""
    folded_share: NotNegative = 2.0
    """The same of the innovations' persistence at rest: an engine's vibration near a multiple of the sampling
    rate is folded down to slow accelerations of some 0.05 m/s², which no low-pass takes out any more. What an
    angle feels of them is their density at frequency nought, the sum of the autocovariances to both sides."""
    gyro_floor_radps: NotNegative = 0.001
    """Vibration left in a gyro's mean over an epoch, rad/s."""
    velocity_floor_mps: NotNegative = 0.006
    """Error of the chain's velocities at rest, m/s: vibration that is not rigid."""
    velocity_share_m: NotNegative = 0.015
    """The same per rad/s of rate, m: error of links and pins; sensors' positions are states."""
    base_floor_mps: NotNegative = 0.001
    """Velocity of the slew centre that the pivot does not explain, m/s."""
    base_share_m: NotNegative = 0.05
    """The same per rad/s of rocking, m."""
    base_sway_s: NotNegative = 0.004
    """The same along the ground for each m/s² by which the arm is accelerated, s: what drives the arm pushes
    the machine; tracks and ground give way by about a millimetre for each m/s² in a quarter of a second."""
    base_time_s: Positive = 0.5
    """Its correlation time, s."""
    pivot_sigma_m: Positive = 1.5
    """1-sigma of the pivot's coordinates where no [undercarriage] is described: half a track's length."""
    pivot_walk: NotNegative = 0.02
    """Walk of the pivot, m/√s."""
    learn_from_geometry: bool = True
    """Whether the chain's velocities also tell the angles by which its links stand."""
    redundancy_share: Positive = 3.0
    """Factor on the gyros' noise where they are compared with each other: their noise is not white."""
    latency_sigma_s: Positive = 0.004
    """1-sigma of a latency where the description does not say, s: one figure assumed for all sensors."""
    latency_floor_s: NotNegative = 0.0005
    """1-sigma of what a latency varies by from sample to sample, s."""
    lever_sigma_m: Positive = 0.03
    """1-sigma of a sensor's position where the description does not say, m: a tape and a guess."""
    turn_walk: Positive = 1.5
    """Walk of the rate of a body without gyro, rad/s/√s: an arm reaches 0.5 rad/s in a tenth of a second."""
    gate: Positive = 8.0
    """Squared, normalised innovation above which a shock is assumed (5 % of a χ² with 3 degrees;
    in ordinary work the mean is 0.2)."""
    worst_case: Annotated[float, Field(gt=0, le=1)] = 0.75
    """Share of the covariance's sigma that is left of it with parts as described: noise is taken at its worst
    and priors are wide, since states take up errors that are not the sensors' own. See
    `tipdatum.fusion.chain.sigma`."""
