"""The parts of an outside car as numbers (SI), and the multibody model they make.

All values are invented. The plane is x (ahead) and z (up); a positive pitch lifts the nose. The rear axle
stands over x = 0 at rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

GRAVITY = 9.80665
BAR_WHEEL = 0.06  # m, radius


@dataclass(frozen=True)
class Parts:
    """One car. Pairs of parts are one part. `rear`: an axle welded to the body, or one held by two links
    and a spring. `bar_on`: what carries the wheelie bar. `coupling`: between engine and gearbox."""

    name: str
    rear: Literal["welded", "links"] = "welded"
    bar_on: Literal["body", "housing"] = "body"
    coupling: Literal["converter", "clutch"] = "converter"
    # body without wheels, axles and struts
    body_mass: float = 985.0
    body_inertia: float = 1270.0  # kg m2 about its own centre of gravity
    cg_ahead: float = 1.48  # of the rear axle
    cg_up: float = 0.58
    wheelbase: float = 2.65
    # front: strut and tyre
    front_mass: float = 60.0
    front_radius: float = 0.33  # unloaded
    front_tyre_rate: float = 4.2e5
    front_tyre_damping: float = 900.0
    strut_rate: float = 46e3
    strut_rebound: float = 5000.0
    strut_bump: float = 4200.0
    droop: float = 0.070
    bump: float = 0.055
    # rear: axle, housing, tyre with a sidewall that winds up
    housing_mass: float = 85.0
    rim_mass: float = 60.0
    rim_inertia: float = 2.2
    tread_inertia: float = 3.6
    rear_radius: float = 0.435
    rear_tyre_rate: float = 3.4e5
    rear_tyre_damping: float = 2500.0
    sidewall_rate: float = 26e3  # N m a rad
    sidewall_damping: float = 160.0
    growth: float = 0.0  # m of radius for each (rad/s)^2
    grip: float = 3.05
    grip_at_slip: float = 0.13
    sliding: float = 0.78  # share of the grip left far beyond
    grip_down_track: tuple[tuple[float, float], ...] = ((0.0, 1.0), (400.0, 1.0))  # m, factor
    spring_rate: float = 62e3
    spring_damping: float = 9000.0
    lower_link: tuple[float, float, float, float] = (0.75, -0.02, 0.0, -0.13)  # body x, z; axle x, z
    upper_link: tuple[float, float, float, float] = (0.62, 0.17, 0.0, 0.17)  # heights over the axle's centre
    # wheelie bar: a hinge that flexes, a small wheel
    bar_behind: float = 1.30
    bar_clear: float = 0.20
    bar_flex: float = 1.0e5  # N m a rad
    bar_flex_damping: float = 1200.0
    bar_tyre_rate: float = 5e5
    bar_tyre_damping: float = 2500.0
    # engine
    torque_rpm: tuple[float, ...] = (1000, 2000, 3000, 4000, 5000, 6000, 7000, 8000, 9000, 10000)
    torque_nm: tuple[float, ...] = (480, 770, 1050, 1310, 1510, 1570, 1490, 1280, 970, 480)
    friction: float = 115.0
    engine_inertia: float = 0.46
    cylinders: int = 8
    launch_rpm: float = 5000.0
    throttle: tuple[tuple[float, float], ...] = ((0.0, 0.86), (0.25, 1.0))  # s, share
    retard_loss: float = 1.8e-4  # share of torque for each degree squared
    command_delay: float = 0.009  # until the cylinder that was told fires
    boost_share: float = 0.0  # of the torque that comes by boost
    boost_lag: float = 0.25
    # converter: pump torque factor falls with the speed ratio; clutch: what it can carry
    converter_factor: float = 4.85e-3
    converter_ratio: float = 2.2
    converter_couples: float = 0.92
    clutch_torque: tuple[tuple[float, float], ...] = ((0.0, 1150.0), (0.8, 1900.0), (1.5, 2600.0))
    clutch_centrifugal: float = 0.0  # share that goes with the square of the engine speed, over the launch's
    # drive line
    gears: tuple[float, ...] = (1.55, 1.0)
    shift_rpm: float = 7400.0
    shift_time: float = 0.07
    final_drive: float = 3.35
    efficiency: float = 0.91
    turbine_inertia: float = 0.09
    shaft_rate: float = 9e3  # N m a rad, at the gearbox
    shaft_damping: float = 25.0
    # air and road
    drag: float = 0.64  # m2
    air: float = 1.2
    rolling: float = 0.014
    # sensor at the nose
    sensor_ahead: float = 0.35  # of the front axle
    sensor_rest: float = 0.130
    sensor_far: float = 0.490
    sensor_noise: float = 0.001
    sensor_delay: float = 0.0
    # driver: lifts his foot when the nose stays above a height for a time
    lifts_above: float = 9.9
    lifts_after: float = 0.30
    lifts_to: float = 0.35


def mjcf(p: Parts, step: float) -> str:
    """The model as MJCF. Rear axle over x = 0; the axle's height is that of a tyre under its static load."""
    axle = p.rear_radius - _rear_load(p) / p.rear_tyre_rate
    front = p.front_radius - _front_load(p) / p.front_tyre_rate
    on_strut = _front_load(p) - p.front_mass * GRAVITY
    spring_at_rest = on_strut / p.strut_rate
    rear, links = _rear(p, axle)
    bar_parent = rear if p.bar_on == "housing" and p.rear == "links" else ""
    bar = _bar(p, axle)
    if bar_parent:
        rear = rear.replace("<!-- bar -->", _bar(p, axle, relative_to=(0.0, axle)))
        bar = ""
    return f"""
<mujoco model="{p.name}">
  <option timestep="{step}" gravity="0 0 -{GRAVITY}" integrator="implicitfast"
          iterations="40" tolerance="1e-9"/>
  <worldbody>
    <body name="body" pos="{p.cg_ahead} 0 {p.cg_up}">
      <joint name="way" type="slide" axis="1 0 0"/>
      <joint name="heave" type="slide" axis="0 0 1"/>
      <joint name="pitch" type="hinge" axis="0 -1 0"/>
      <inertial pos="0 0 0" mass="{p.body_mass}" diaginertia="300 {p.body_inertia} 1400"/>
      <site name="front" pos="{p.wheelbase - p.cg_ahead} 0 {front - p.cg_up}"/>
      <site name="nose" pos="{p.wheelbase - p.cg_ahead + p.sensor_ahead} 0 {p.sensor_rest - p.cg_up}"/>
      <body name="hub" pos="{p.wheelbase - p.cg_ahead} 0 {front - p.cg_up}">
        <joint name="strut" type="slide" axis="0 0 1" limited="true" range="-{p.droop} {p.bump}"
               solreflimit="0.004 1" solimplimit="0.95 0.999 0.0005"
               stiffness="{p.strut_rate}" springref="{-spring_at_rest}"/>
        <inertial pos="0 0 0" mass="{p.front_mass}" diaginertia="1 1 1"/>
        <site name="hub" pos="0 0 0"/>
      </body>
      {bar}
      {rear if p.rear == "welded" else _link_bodies(p, axle)}
    </body>
    {rear if p.rear == "links" else ""}
  </worldbody>
  <equality>{links}</equality>
  {_spring(p)}
</mujoco>"""


def _round(inertia: float) -> str:
    """Inertias of a wheel about its three axes, the second its own."""
    return f"{0.6 * inertia} {inertia} {0.6 * inertia}"


def _wheel(p: Parts) -> str:
    return f"""
        <body name="rim" pos="0 0 0">
          <joint name="rim" type="hinge" axis="0 1 0"/>
          <inertial pos="0 0 0" mass="{p.rim_mass}" diaginertia="{_round(p.rim_inertia)}"/>
          <body name="tread" pos="0 0 0">
            <joint name="sidewall" type="hinge" axis="0 1 0" stiffness="{p.sidewall_rate}"
                   damping="{p.sidewall_damping}"/>
            <inertial pos="0 0 0" mass="1" diaginertia="{_round(p.tread_inertia)}"/>
          </body>
        </body>"""


def _rear(p: Parts, axle: float) -> tuple[str, str]:
    if p.rear == "welded":
        return (
            f"""
      <body name="housing" pos="{-p.cg_ahead} 0 {axle - p.cg_up}">
        <inertial pos="0 0 0" mass="{p.housing_mass}" diaginertia="4 4 4"/>
        <site name="axle" pos="0 0 0"/>{_wheel(p)}
      </body>""",
            "",
        )
    lower, upper = p.lower_link, p.upper_link
    housing = f"""
    <body name="housing" pos="0 0 {axle}">
      <joint name="housing_x" type="slide" axis="1 0 0"/>
      <joint name="housing_z" type="slide" axis="0 0 1"/>
      <joint name="housing_turn" type="hinge" axis="0 1 0"/>
      <inertial pos="0 0 0" mass="{p.housing_mass}" diaginertia="4 4 4"/>
      <site name="axle" pos="0 0 0"/>
      <site name="spring_low" pos="0 0 0.03"/>{_wheel(p)}
      <!-- bar -->
    </body>"""
    stiff = 'solref="0.002 1" solimp="0.98 0.9999 0.0005"'
    links = "".join(
        f'<connect body1="{name}" body2="housing" anchor="{at[2] - at[0]} 0 {at[3] - at[1]}" {stiff}/>'
        for name, at in (("lower", lower), ("upper", upper))
    )
    return housing, links


def _link_bodies(p: Parts, axle: float) -> str:
    text = f'<site name="spring_high" pos="{-p.cg_ahead} 0 {axle - p.cg_up + 0.43}"/>'
    for name, (x, z, to_x, to_z) in (("lower", p.lower_link), ("upper", p.upper_link)):
        text += f"""
      <body name="{name}" pos="{x - p.cg_ahead} 0 {axle + z - p.cg_up}">
        <joint name="{name}" type="hinge" axis="0 1 0"/>
        <inertial pos="{(to_x - x) / 2} 0 {(to_z - z) / 2}" mass="4" diaginertia="0.3 0.3 0.3"/>
      </body>"""
    return text


def _spring(p: Parts) -> str:
    if p.rear == "welded":
        return ""
    on_spring = _rear_load(p) - (p.housing_mass + p.rim_mass + 1.0) * GRAVITY
    length = 0.40 + on_spring / p.spring_rate
    return f"""
  <tendon>
    <spatial name="spring" stiffness="{p.spring_rate}" damping="{p.spring_damping}" springlength="{length}">
      <site site="spring_high"/><site site="spring_low"/>
    </spatial>
  </tendon>"""


def _bar(p: Parts, axle: float, relative_to: tuple[float, float] | None = None) -> str:
    x0, z0 = relative_to or (p.cg_ahead, p.cg_up)
    reach = p.bar_behind - 0.35
    low = p.bar_clear + BAR_WHEEL
    return f"""
      <body name="bar" pos="{-0.35 - x0} 0 {axle - z0}">
        <joint name="bar" type="hinge" axis="0 1 0" stiffness="{p.bar_flex}" damping="{p.bar_flex_damping}"/>
        <inertial pos="{-reach / 2} 0 0" mass="9" diaginertia="0.2 1.2 1.2"/>
        <body name="bar_wheel" pos="{-reach} 0 {low - axle}">
          <inertial pos="0 0 0" mass="2" diaginertia="0.01 0.01 0.01"/>
          <site name="bar_wheel" pos="0 0 0"/>
        </body>
      </body>"""


def weight(p: Parts) -> float:
    """All of the car, kg."""
    links = 8.0 if p.rear == "links" else 0.0
    return p.body_mass + p.front_mass + p.housing_mass + p.rim_mass + 1.0 + 11.0 + links


def _front_load(p: Parts) -> float:
    """At rest, by moments about the rear contact."""
    moment = p.body_mass * p.cg_ahead + p.front_mass * p.wheelbase
    moment += 9.0 * (-0.35 - (p.bar_behind - 0.35) / 2) + 2.0 * -p.bar_behind
    if p.rear == "links":
        moment += 4.0 * sum((link[0] + link[2]) / 2 for link in (p.lower_link, p.upper_link))
    return GRAVITY * moment / p.wheelbase


def _rear_load(p: Parts) -> float:
    return GRAVITY * weight(p) - _front_load(p)
