"""What a crew would write into a vehicle file of an outside car: its parts, measured with errors.

`truth` has what a fit may find, as far as an outside car has a part that means the same; elastic sidewalls,
links and drive shafts have no place in it. Errors are chosen by seed: about what scales, tapes, dampers on a
bench and data sheets leave; no source.
"""

from __future__ import annotations

from math import pi

import numpy as np

from tests.outside_car.parts import GRAVITY, Parts, _front_load, _rear_load, weight

# one standard deviation of what a crew measures, as a share
_SCALES, _TAPE, _SHEET, _GUESS = 0.01, 0.01, 0.04, 0.08
_OFF_BY = {
    "cg_ahead": _SCALES, "cg_height": 0.03, "front_spring": _SHEET, "engine_inertia": _SHEET,
    "droop": 0.03, "bar_clear": 0.03, "torque_scale": _SHEET, "launch_speed": _TAPE,
}  # fmt: skip


def truth(p: Parts) -> dict[str, float]:
    """What each parameter of bench.vehicle.car truly is, SI, where the outside car has the same thing."""
    axle = p.rear_radius - _rear_load(p) / p.rear_tyre_rate
    hub = p.front_radius - _front_load(p) / p.front_tyre_rate
    cg_ahead = p.wheelbase * _front_load(p) / (GRAVITY * weight(p))
    links = 8.0 * (axle + 0.02) if p.rear == "links" else 0.0
    heights = p.body_mass * p.cg_up + p.front_mass * hub + (p.housing_mass + p.rim_mass + 12.0) * axle + links
    body = [(p.body_mass, p.cg_ahead, p.cg_up)]
    if p.bar_on == "body":
        body += [(9.0, -0.35 - (p.bar_behind - 0.35) / 2, axle), (2.0, -p.bar_behind, p.bar_clear + 0.06)]
    mass = sum(m for m, _, _ in body)
    x, z = (sum(m * at[i] for m, *at in body) / mass for i in (0, 1))
    inertia = p.body_inertia + sum(m * ((a - x) ** 2 + (b - z) ** 2) for m, a, b in body)
    found = {
        "cg_ahead": cg_ahead,
        "cg_height": heights / weight(p),
        "pitch_inertia": inertia,
        "front_unsprung": p.front_mass,
        "grip": p.grip,
        "peak_slip": p.grip_at_slip,
        "wheel_inertia": p.rim_inertia + p.tread_inertia,
        "front_tyre_rate": p.front_tyre_rate,
        "front_spring": p.strut_rate,
        "rebound": p.strut_rebound,
        "bump": p.strut_bump,
        "droop": p.droop,
        "bar_clear": p.bar_clear,
        "torque_scale": 1.0,
        "friction": p.friction,
        "engine_inertia": p.engine_inertia,
        "launch_speed": p.launch_rpm * pi / 30,
        "drag_area": p.drag,
        "shift_time": p.shift_time,
    }
    if p.coupling == "converter":
        found |= {"converter": p.converter_factor, "converter_ratio": p.converter_ratio}
        found |= {"launch_share": p.throttle[0][1], "turbine_inertia": p.turbine_inertia}
    else:
        found |= {"clutch_full": p.clutch_torque[-1][1], "clutch_inertia": p.turbine_inertia}
    if p.clutch_centrifugal:
        found["clutch_centrifugal"] = p.clutch_centrifugal
    if p.boost_share:
        found |= {"boost": p.boost_share, "boost_lag": p.boost_lag}
    return found


def vehicle_text(p: Parts, seed: int) -> str:
    """A vehicle file of the car."""
    rng = np.random.default_rng(seed)
    real = truth(p)
    axle = p.rear_radius - _rear_load(p) / p.rear_tyre_rate
    off = {name: _OFF_BY.get(name, _GUESS) * float(np.clip(rng.normal(), -2, 2)) for name in real}
    got = {name: value * (1 + off[name]) for name, value in real.items()}
    mm = {name: round(1000 * got[name]) for name in ("cg_ahead", "cg_height", "droop", "bar_clear")}
    rear = (
        f"""
[rear_suspension]
spring_n_per_mm = {0.95 * p.spring_rate / 1000:.1f}
damping_ns_per_m = {1.05 * p.spring_damping:.0f}
travel_mm = 80
anti_squat_percent = 65
"""
        if p.rear == "links"
        else ""
    )
    return f"""[car]
name = "{p.name}"
[body]
mass_kg = {weight(p):.0f}
wheelbase_mm = {1000 * p.wheelbase:.0f}
cg_ahead_of_rear_axle_mm = {mm["cg_ahead"]}
cg_height_mm = {mm["cg_height"]}
pitch_inertia_kgm2 = {got["pitch_inertia"]:.0f}
front_unsprung_kg = {got["front_unsprung"]:.1f}
rear_unsprung_kg = {p.housing_mass + p.rim_mass:.0f}
[rear_tyre]
radius_mm = {1000 * axle:.0f}
grip = {got["grip"]:.3f}
peak_slip_percent = {100 * got["peak_slip"]:.1f}
sliding_grip_percent = {100 * p.sliding:.0f}
relaxation_mm = 600
inertia_kgm2 = {got["wheel_inertia"]:.2f}
[front_tyre]
radius_mm = 330
stiffness_n_per_mm = {got["front_tyre_rate"] / 1000:.0f}
[front_suspension]
spring_n_per_mm = {got["front_spring"] / 1000:.2f}
rebound_ns_per_m = {got["rebound"]:.0f}
bump_ns_per_m = {got["bump"]:.0f}
droop_mm = {mm["droop"]}
bump_travel_mm = {1000 * p.bump:.0f}
[wheelie_bar]
behind_rear_axle_mm = {1000 * p.bar_behind:.0f}
clear_mm = {mm["bar_clear"]}
stiffness_n_per_mm = 90
damping_ns_per_m = 3000
{rear}{_drive_line(p, got)}"""


def _clutch(p: Parts, got: dict[str, float]) -> str:
    """What it carries: from the first two points of its line to the last."""
    first, second, last = p.clutch_torque
    return f"""[clutch]
torque_nm = {0.94 * (first[1] + second[1]) / 2:.0f}
full_torque_nm = {got.get("clutch_full", last[1]):.0f}
rises_after_ms = {1000 * second[0]:.0f}
rises_for_ms = {1000 * (last[0] - second[0]):.0f}
centrifugal_percent = {100 * got.get("clutch_centrifugal", 0):.0f}
inertia_kgm2 = {got.get("clutch_inertia", 0.09):.3f}"""


def _drive_line(p: Parts, got: dict[str, float]) -> str:
    """From the engine on."""
    coupling = _clutch(p, got)
    share = 100 * got.get("launch_share", 1.0)
    if p.coupling == "converter":
        coupling = f"""[converter]
stall_torque_nm = {got["converter"] * (5000 * pi / 30) ** 2:.0f}
stall_torque_at_rpm = 5000
torque_ratio = {got["converter_ratio"]:.2f}
coupling_at_percent = 90
turbine_inertia_kgm2 = {got["turbine_inertia"]:.3f}"""
    boost = ""
    if p.boost_share:
        boost = f"boost_percent = {100 * got['boost']:.0f}\nboost_lag_ms = {1000 * got['boost_lag']:.0f}"
    return f"""
[engine]
torque_at_rpm = [{", ".join(f"{v:.0f}" for v in p.torque_rpm)}]
torque_nm = [{", ".join(f"{v:.0f}" for v in p.torque_nm)}]
torque_scale_percent = {100 * got["torque_scale"]:.2f}
friction_nm = {got["friction"]:.0f}
inertia_kgm2 = {got["engine_inertia"]:.3f}
launch_speed_rpm = {got["launch_speed"] * 30 / pi:.0f}
launch_torque_percent = {share:.0f}
full_after_ms = {1000 * p.throttle[1][0] if p.throttle[0][1] < 1 else 0:.0f}
{boost}
{coupling}
[gearbox]
ratios = [{", ".join(f"{v:g}" for v in p.gears)}]
shift_at_rpm = [{p.shift_rpm:.0f}]
shift_ms = {1000 * got["shift_time"]:.0f}
final_drive = {p.final_drive:g}
efficiency_percent = {100 * p.efficiency:.0f}
[resistance]
drag_area_m2 = {got["drag_area"]:.2f}
rolling_percent = {100 * p.rolling:.1f}
[response]
delay_ms = 10
lag_ms = 15
torque_lost_at_20_deg_percent = 7
[sensor]
ahead_of_front_axle_mm = {1000 * p.sensor_ahead:.0f}
rest_height_mm = {1000 * p.sensor_rest:.0f}
farthest_mm = {1000 * p.sensor_far:.0f}
beyond_reads = "high"
noise_mm = {1000 * p.sensor_noise:.1f}
[strip]
rollout_mm = 280
beam_height_mm = 100
[scatter.rear_tyre]
grip_percent = 4
[scatter.engine]
torque_scale_percent = 3
[scatter.body]
mass_kg = 10
"""
