"""One example or more of every message, for the contract document; invented machine and site.

They are instances of the models, so they cannot be wrong about a key.
"""

from __future__ import annotations

from tipdatum.bus import messages as m
from tipdatum.bus.guide_messages import GuideAnswer, GuideView

_TIME = "2026-03-02T07:41:12.340Z"
_T = 912.34

EXAMPLES: dict[str, list[m.Message]] = {
    "tip": [
        m.Tip(
            t=_T, time=_TIME, elevation_m=101.2374, left_m=101.2391, right_m=101.2357, reach_m=6.4182,
            lateral_m=0.0211, sigma_m=0.0124, quality="good", reasons=[], datum="set", deviation_m=0.0474,
            sigma_prediction_m=0.0006,
        ),
        m.Tip(
            t=_T, time=_TIME, elevation_m=None, left_m=None, right_m=None, reach_m=None, lateral_m=None,
            sigma_m=None, quality="stale", reasons=["boom silent"], datum="set", deviation_m=None,
        ),
    ],
    "arm": [
        m.Arm(
            t=_T, time=_TIME, quality="good", height_to_elevation_m=102.511,
            points=[
                m.ArmPoint(name="boom foot", reach_m=0.35, height_m=1.75),
                m.ArmPoint(name="stick", reach_m=4.318, height_m=4.077),
                m.ArmPoint(name="bucket", reach_m=5.921, height_m=-0.137),
                m.ArmPoint(name="tip", reach_m=6.418, height_m=-1.274),
            ],
        )
    ],
    "limits": [
        m.Limits(
            t=_T, time=_TIME,
            limits=[
                m.LimitFigure(
                    kind="ceiling", state="near", point="boom-stick pin", distance_m=0.42, time_s=1.8,
                )
            ],
        )
    ],
    "raw": [
        m.Raw(
            sensor="boom", t0=912.0, t1=912.5, n=50, accel_mps2=[3.354, 0.012, 9.215],
            spread_mps2=[0.021, 0.019, 0.022], gyro_radps=[0.0002, -0.0011, 0.0004],
        )
    ],
    "angle": [m.RawAngle(sensor="swing", t0=912.0, t1=912.5, n=25, angle_deg=31.84, spread_deg=0.03)],
    "status": [
        m.Status(state="online", time=_TIME),
        m.Status(state="offline", reason="connection lost"),
    ],
    "about": [
        m.About(
            version="0.1.0", build="9f3c1e07ab52", contract=m.CONTRACT_VERSION, machine_id="digger-1",
            machine={"name": "Fourteen-tonne demo machine", "boom": {"foot_m": [0.35, 0.0, 1.75]}},
            units=m.UNITS, tick_hz=50.0, started=_TIME,
        )
    ],
    "state": [
        m.State(
            t=_T, time=_TIME, datum="set", bucket="trenching 600",
            reference={"known_m": 101.5, "mark": "BM 3"}, target={"kind": "level", "elevation_m": 101.19},
        )
    ],
    "changes": [
        m.Changes(
            changes=[
                m.Change(
                    time=_TIME, t=_T, command="datum/set", by="cab panel",
                    text="Reference set: BM 3 at 101.500 m, averaged over 2.1 s, spread 2 mm.",
                )
            ]
        )
    ],
    "health": [
        m.Health(
            t=_T, time=_TIME, sensor="boom", body="boom", state="ok", text="", rate_hz=99.8,
            jitter_s=0.0004, age_s=0.009, faults={"checksum": 2},
            test_ratio=0.21, vibration_mps2=0.34, clipped_share=0.0,
        )
    ],
    "reply": [
        m.Reply(
            t=_T, time=_TIME, command="datum/set", ok=True, request_id="7d1c",
            text="Reference set: BM 3 at 101.500 m, averaged over 2.1 s, spread 2 mm.",
            result={"elevation_m": 101.5},
        ),
        m.Reply(
            t=_T, time=_TIME, command="datum/set", ok=False, text="The machine moves; hold the tip still.",
        ),
    ],
    "event": [
        m.Happening(
            id="c2a9f10e-14", t=_T, time=_TIME, kind="sensor lost", text="boom is silent for 0.5 s",
            sensor="boom",
        )
    ],
    "guide": [
        GuideView(
            stage="ready", time=_TIME, machine="Fourteen-tonne demo machine", standing="S1", standings=["S1"],
            chapters=[{"name": "postures", "steps": [{"id": "measured-1", "state": "now"}]}],
            step={
                "id": "measured-1", "key": "guide.posture.1", "values": {}, "motion": False, "rest": None,
                "words": "Bring the arm to: boom half raised, stick hanging a little outwards.",
                "questions": [
                    {"name": "slope boom", "kind": "slope", "of": "boom", "unit": "deg"},
                    {"name": "height tip", "kind": "height", "of": "tip", "unit": "m"},
                ],
            },
            still={"seconds": 4.5, "needed": 4.0, "scatter_mps2": 0.021, "drift_deg": 0.004},
            angles={"boom": 27.6, "stick": -61.8, "bucket": -99.7},
            pins=[[0.35, 1.75], [4.4, 3.9], [5.6, 1.7], [5.4, 0.4]], kept={"observations": 4, "rests": 0},
        ),
        GuideView(stage="ended"),
    ],
    "guide/do": [
        GuideAnswer(do="take", request_id="p-17"),
        GuideAnswer(do="readings", request_id="p-18", values={"slope boom": "27,6", "height tip": "0.412"}),
    ],
}  # fmt: skip
