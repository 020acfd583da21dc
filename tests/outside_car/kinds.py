"""The kinds of outside car that tests use, and the calibrations they are driven with. All invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.outside_car.parts import Parts

_WELDED = Parts(
    "welded", cg_ahead=1.57, cg_up=0.57, bar_flex=0.9e5, throttle=((0.0, 0.80), (0.3, 1.0)), grip=3.0
)  # fmt: skip

KINDS = {
    # axle in the body, converter: the nearest to a textbook car
    "welded": _WELDED,
    # axle on two links and a spring, bar on the housing, a tyre that grows
    "links": replace(_WELDED, name="links", rear="links", bar_on="housing", growth=1.2e-6),
    # a clutch that slips for two seconds, its levers fly out with the engine; boost that falls with the
    # events and comes back late
    "clutch": replace(
        _WELDED,
        name="clutch",
        coupling="clutch",
        clutch_torque=((0.0, 1950.0), (0.5, 1950.0), (1.5, 2600.0)),
        clutch_centrifugal=0.8,
        torque_nm=tuple(1.35 * torque for torque in _WELDED.torque_nm),
        boost_share=0.35,
        launch_rpm=6400.0,
        throttle=((0.0, 1.0), (9.0, 1.0)),
        gears=(1.75, 1.0),
        final_drive=3.6,
    ),
    # grip that fades down the track, and a driver who lifts his foot when the nose stays up
    "driver": replace(
        _WELDED,
        name="driver",
        grip_down_track=((0.0, 1.0), (30.0, 0.97), (90.0, 0.86), (210.0, 0.82)),
        lifts_above=0.38,
    ),
}

# What is drawn anew for each car of a kind, in shares (one standard deviation, cut at two); no source.
_LITTLE, _MORE = 0.025, 0.05
_DRAWN = {
    **dict.fromkeys(("cg_ahead", "cg_up", "launch_rpm", "grip"), _LITTLE),
    **dict.fromkeys(
        (
            *("body_mass", "body_inertia", "front_mass", "strut_rate", "strut_rebound", "strut_bump"),
            *("droop", "front_tyre_rate", "rim_inertia", "tread_inertia", "sidewall_rate", "grip_at_slip"),
            *("bar_clear", "bar_flex", "friction", "engine_inertia", "converter_factor", "converter_ratio"),
            *("shaft_rate", "turbine_inertia", "drag", "spring_rate", "spring_damping", "shift_time"),
        ),
        _MORE,
    ),
}  # fmt: skip


def drawn(kind: str, seed: int) -> Parts:
    """Another car of a kind."""
    rng, p = np.random.default_rng(seed), KINDS[kind]
    values = {
        name: getattr(p, name) * (1 + share * float(np.clip(rng.normal(), -2, 2)))
        for name, share in _DRAWN.items()
    }
    return replace(p, name=f"{kind} {seed}", **values)
