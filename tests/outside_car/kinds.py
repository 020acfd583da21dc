"""The kinds of outside car that tests use, and the calibrations they are driven with. All invented."""

from __future__ import annotations

from dataclasses import replace

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
