"""An outside car driven by the controller: engine of single cylinder events, converter or clutch, elastic
drive shaft, tyres with a law of their own, all around a multibody model.

The tyre's law is a sine of an arc tangent of the slip, as H. B. Pacejka, Tyre and Vehicle Dynamics (3rd ed.
2012, chapter 4) writes its longitudinal force, its shape fixed by the grip, the slip of the peak and what is
left far beyond it (from memory). The sidewall's winding stands for the relaxation length.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, atan, copysign, cos, pi, sin, tan
from typing import TYPE_CHECKING, Any

import numpy as np

from firmware_model.binding import Core
from tests.outside_car.parts import BAR_WHEEL, Parts, mjcf

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

STEP = 0.00025
STANDS_S = 1.6  # before the launch, armed
FLIGHT_GAP = 0.025
FOOT = 0.3048
ROLLOUT = 0.28
RPM = 30 / pi


def along(points: tuple[tuple[float, float], ...], at: float) -> float:
    """A broken line, its ends held."""
    x, y = points[0]
    for next_x, next_y in points:
        if at <= next_x:
            return y if next_x == x else y + (next_y - y) * max(0.0, at - x) / (next_x - x)
        x, y = next_x, next_y
    return y


@dataclass(frozen=True)
class Run:
    """Columns by tick (1 ms, or the calibration's own), and what came of it.

    time (s since launch), way (m), speed (m/s), lift (m at the front axle), rate (m/s), gap (m under the
    front tyre), engine and shaft (rpm), height (m, along the beam), counts, reduction and retard (0.1 % and
    0.1 degree), bar (N).
    """

    columns: dict[str, np.ndarray[Any, Any]]
    peak_lift: float  # m
    landing: float | None  # m/s, the hardest; None where it never lands
    bar: float  # N at most
    flights: int
    turned_over: bool
    time: dict[int, float]  # at 60, 330 and 660 ft from the start beam, those it passed


class OutsideCar:
    """One car, standing; `drive` runs it once."""

    def __init__(self, parts: Parts, seed: int = 1) -> None:
        import mujoco

        self._mujoco = mujoco
        self.p = parts
        self.model = mujoco.MjModel.from_xml_string(mjcf(parts, STEP))
        self.data = mujoco.MjData(self.model)
        self._curve = tuple(zip(parts.torque_rpm, parts.torque_nm, strict=True))
        self.rng = np.random.default_rng(seed)
        name = self.model.joint
        self.dof = {j: int(name(j).dofadr[0]) for j in ("way", "heave", "pitch", "strut", "rim", "sidewall")}
        self.site = {s: int(self.model.site(s).id) for s in ("front", "nose", "hub", "axle", "bar_wheel")}
        self.body = {b: int(self.model.body(b).id) for b in ("body", "hub", "housing", "tread", "bar_wheel")}
        self.engine = parts.launch_rpm / RPM
        self.crank = 0.0
        self.turbine = 0.0
        self.twist = 0.0
        self.boost = 1.0
        self.gear = 0
        self.shift_at = -1.0
        self.share = [1.0] * parts.cylinders
        self.told: list[tuple[float, int, float]] = []
        self.foot = 1.0
        self.high_since: float | None = None
        self._six, self._none, self._force = np.zeros(6), np.zeros(3), np.zeros(3)
        self._at = np.zeros(3)
        self.bar = self.gap = self.thrust = self.front_load = 0.0
        self.place, self.retard = 0, 0
        shape = 2 - 2 / pi * asin(parts.sliding)
        self._tyre = (shape, tan(pi / (2 * shape)) / parts.grip_at_slip)

    # --- forces

    def _point_velocity(self, site: int) -> tuple[float, float]:
        out = self._six
        self._mujoco.mj_objectVelocity(self.model, self.data, self._mujoco.mjtObj.mjOBJ_SITE, site, out, 0)
        return float(out[3]), float(out[5])

    def _apply(self, force_x: float, force_z: float, x: float, z: float, body: int) -> None:
        self._force[0], self._force[2], self._at[0], self._at[2] = force_x, force_z, x, z
        pushed = (self._force, self._none, self._at, body, self.data.qfrc_applied)
        self._mujoco.mj_applyFT(self.model, self.data, *pushed)

    def _grip(self, way: float) -> float:
        return self.p.grip * along(self.p.grip_down_track, way)

    def tyre_share(self, slip: float) -> float:
        """Thrust as a share of grip x load at a slip."""
        shape, stiff = self._tyre
        return sin(shape * atan(stiff * slip))

    def _tyres(self) -> None:
        p, d = self.p, self.data
        x, _, z = d.site_xpos[self.site["axle"]]
        vx, vz = self._point_velocity(self.site["axle"])
        tread = float(d.qvel[self.dof["rim"]] + d.qvel[self.dof["sidewall"]]) + self._housing_rate()
        radius = p.rear_radius + p.growth * tread * tread
        load = max(0.0, p.rear_tyre_rate * (radius - z) - (p.rear_tyre_damping * vz if radius > z else 0.0))
        rolling = z if z < radius else radius
        slip = (tread * rolling - vx) / max(abs(vx), 4.0)
        thrust = load * self._grip(x) * self.tyre_share(slip)
        self.thrust = thrust
        rolled = thrust - p.rolling * load * min(1.0, vx / 0.5)
        self._apply(rolled, load, x, z - rolling, self.body["tread"])
        x, _, z = d.site_xpos[self.site["hub"]]
        _, vz = self._point_velocity(self.site["hub"])
        self.gap = z - p.front_radius
        load = max(0.0, -p.front_tyre_rate * self.gap - p.front_tyre_damping * vz) if self.gap < 0 else 0.0
        self.front_load = load
        self._apply(-p.rolling * load * min(1.0, vx / 0.5), load, x, 0.0, self.body["hub"])
        x, _, z = d.site_xpos[self.site["bar_wheel"]]
        deep = BAR_WHEEL - z
        self.bar = 0.0
        if deep > 0:
            _, vz = self._point_velocity(self.site["bar_wheel"])
            self.bar = max(0.0, p.bar_tyre_rate * deep - p.bar_tyre_damping * vz)
            self._apply(0.0, self.bar, x, 0.0, self.body["bar_wheel"])
        strut = float(d.qvel[self.dof["strut"]])
        d.qfrc_applied[self.dof["strut"]] -= strut * (p.strut_bump if strut > 0 else p.strut_rebound)

    def _housing_rate(self) -> float:
        """Turning of what carries the rim, in the sense of a wheel that rolls ahead, rad/s."""
        return float(self.data.cvel[self.body["housing"]][1])

    # --- engine and drive line

    def _engine(self, now: float, dt: float, core: Core | None) -> float:
        """Torque of the gas, events told and fired, and the boost that follows them."""
        p = self.p
        before, self.crank = self.crank, self.crank + self.engine * dt
        step = 4 * pi / p.cylinders
        fired = int(self.crank // step) - int(before // step)
        order = (0, 7, 3, 2, 5, 4, 6, 1)
        for k in range(fired):
            number = int(before // step) + 1 + k
            cylinder = order[number % p.cylinders] if p.cylinders == 8 else number % p.cylinders
            off = bool(core.event(cylinder + 1)) if core is not None and now >= 0 else False
            spark = max(0.0, 1 - p.retard_loss * (self.retard / 10) ** 2)
            self.told.append((now + p.command_delay, number, 0.0 if off else spark))
        while self.told and self.told[0][0] <= now:
            _, number, share = self.told.pop(0)
            self.share[number % p.cylinders] = share
            self.place = number
        # one event's torque is spread over its own part of the cycle as half a sine, mean 1
        part = (self.crank % step) / step
        pulse = 1.0 + 0.55 * sin(2 * pi * part)
        newest = self.share[self.place % p.cylinders]
        open_ = along(p.throttle, now) * self.foot
        full = along(self._curve, self.engine * RPM) + p.friction
        self.boost += ((open_ * float((sum(self.share) / p.cylinders))) - self.boost) * dt / p.boost_lag
        charge = 1 - p.boost_share + p.boost_share * self.boost
        return full * open_ * charge * newest * pulse - p.friction

    def _coupling(self, now: float, gas: float, dt: float) -> float:
        """Torque into the gearbox; moves the engine."""
        p = self.p
        if p.coupling == "converter":
            ratio = self.turbine / max(self.engine, 1.0)
            pump = p.converter_factor * self.engine**2 * max(-1.0, 1 - copysign(abs(ratio) ** 7, ratio))
            gain = 1 + (p.converter_ratio - 1) * max(0.0, 1 - ratio / p.converter_couples)
            self.engine += (gas - pump) / p.engine_inertia * dt
            out = pump * gain
        else:
            weights = (self.engine * RPM / p.launch_rpm) ** 2  # levers that fly out
            room = along(p.clutch_torque, now) * (1 + p.clutch_centrifugal * (weights - 1))
            over = self.engine - self.turbine
            # a clutch that has caught up carries what keeps both together, as long as it can
            out = max(-room, min(room, room * over / 2.0))
            self.engine += (gas - out) / p.engine_inertia * dt
        self.engine = min(max(self.engine, 150.0), 1150.0)
        return out

    def _drive_line(self, now: float, dt: float, core: Core | None) -> None:
        p, d = self.p, self.data
        gas = self._engine(now, dt, core)
        held = now < 0
        if held:  # on the brake: the engine is kept at its launch speed, nothing turns behind it
            self.engine, self.turbine, self.twist = p.launch_rpm / RPM, 0.0, 0.0
            return
        into = self._coupling(now, gas, dt)
        if self.gear + 1 < len(p.gears) and self.shift_at < 0 and self.engine * RPM > p.shift_rpm:
            self.shift_at = now
        ratio = p.gears[self.gear]
        if self.shift_at >= 0:
            done = (now - self.shift_at) / p.shift_time
            ratio += (p.gears[self.gear + 1] - ratio) * min(1.0, done)
            if done >= 1:
                self.gear, self.shift_at = self.gear + 1, -1.0
        rim = float(d.qvel[self.dof["rim"]])
        shaft = rim * p.final_drive
        out_speed = self.turbine / ratio
        self.twist += (out_speed - shaft) * dt
        torque = p.shaft_rate * self.twist + p.shaft_damping * (out_speed - shaft)
        self.turbine += (into - torque / (ratio * p.efficiency**0.5)) / p.turbine_inertia * dt
        # The joint between housing and rim carries it, so the housing feels the reaction.
        d.qfrc_applied[self.dof["rim"]] += torque * p.final_drive * p.efficiency**0.5

    def _air(self) -> None:
        v = float(self.data.qvel[self.dof["way"]])
        x, _, z = self.data.xipos[self.body["body"]]
        self._apply(-0.5 * self.p.air * self.p.drag * v * v, 0.0, x, z, self.body["body"])

    def _brake(self) -> None:
        d = self.data
        d.qfrc_applied[self.dof["rim"]] -= 4000 * float(d.qvel[self.dof["rim"]])

    # --- the run

    def drive(self, calibration: CalibrationFile, controlled: bool = True, distance: float = 205.0) -> Run:
        """Launch it and drive to 660 ft (or 9 s, or on its back), the controller's C core in the loop."""
        core = Core()
        assert core.load(calibration.image) == 0
        tick_s = calibration.tick_us * 1e-6
        steps = round(tick_s / STEP)
        self.retard = reduction = 0
        rows: list[tuple[float, ...]] = []
        self._settle(round(0.4 / STEP))
        front_z = float(self.data.site_xpos[self.site["front"]][2])
        start_x = float(self.data.site_xpos[self.site["axle"]][0])
        height0 = float(self.data.site_xpos[self.site["nose"]][2])
        heights: list[float] = []
        lead = round(STANDS_S / tick_s)
        over, tick, bar = False, 0, 0.0
        while True:
            now = (tick - lead) * tick_s
            d = self.data
            pitch = float(d.qpos[self._q("pitch")])
            nose = float(d.site_xpos[self.site["nose"]][2]) - height0 + self.p.sensor_rest
            heights.append(nose / cos(pitch))
            counts = self._counts(heights, tick_s, calibration)
            v = float(d.qvel[self.dof["way"]])
            shaft = max(0.0, float(d.qvel[self.dof["rim"]])) * self.p.final_drive * RPM
            core.step(
                tick & 0xFFFF, counts, max(0, round(36 * v)), 1, round(self.engine * RPM), round(shaft), 1,
                int(now >= 0), 0, 0, 0,
            )  # fmt: skip
            if controlled:
                reduction, self.retard = core.command.reduction, core.command.retard
            lift = float(d.site_xpos[self.site["front"]][2]) - front_z
            self._driver(now, lift)
            rate = self._point_velocity(self.site["front"])[1]
            way = float(d.site_xpos[self.site["axle"]][0]) - start_x
            rows.append(
                (now, way, v, lift, rate, self.gap, self.engine * RPM, shaft, heights[-1], counts, reduction,
                 self.retard, bar)
            )  # fmt: skip
            bar = 0.0
            for i in range(steps):
                self._step(now + i * STEP, core if controlled else None)
                bar = max(bar, self.bar)
            over = abs(pitch) > 1.2
            if over or way > distance + ROLLOUT or now > 9.0:
                break
            tick += 1
        names = ("time", "way", "speed", "lift", "rate", "gap", "engine", "shaft", "height", "counts",
                 "reduction", "retard", "bar")  # fmt: skip
        table = np.array(rows)
        return _told({name: table[:, i] for i, name in enumerate(names)}, over)

    def _q(self, joint: str) -> int:
        return int(self.model.joint(joint).qposadr[0])

    def _settle(self, steps: int) -> None:
        for _ in range(steps):
            self._step(-1.0, None)

    def _step(self, now: float, core: Core | None) -> None:
        d = self.data
        self._mujoco.mj_step1(self.model, d)
        d.qfrc_applied[:] = 0.0
        self._tyres()
        self._drive_line(now, STEP, core)
        self._air()
        if now < 0:
            self._brake()
        self._mujoco.mj_step2(self.model, d)

    def _driver(self, now: float, lift: float) -> None:
        p = self.p
        if lift < p.lifts_above:
            self.high_since = None
            self.foot = min(1.0, self.foot + 0.004)
            return
        self.high_since = now if self.high_since is None else self.high_since
        if now - self.high_since > p.lifts_after:
            self.foot = max(p.lifts_to, self.foot - 0.006)

    def _counts(self, heights: list[float], tick_s: float, calibration: CalibrationFile) -> int:
        late = round(self.p.sensor_delay / tick_s)
        seen = heights[max(0, len(heights) - 1 - late)] + self.p.sensor_noise * self.rng.standard_normal()
        most = calibration.number("adc_max")
        if seen > self.p.sensor_far:
            return most
        return int(np.clip(round(float(calibration.height_to_counts(seen * 1000))), 0, most))


def _told(columns: dict[str, np.ndarray[Any, Any]], over: bool) -> Run:
    """What came of a run, from its columns."""
    time, way, lift, gap, rate = (columns[name] for name in ("time", "way", "lift", "gap", "rate"))
    after = time >= 0
    flying = (gap > FLIGHT_GAP) & after
    starts = np.flatnonzero(flying[1:] & ~flying[:-1])
    landings = []
    for start in starts:
        down = np.flatnonzero(gap[start + 1 :] <= 0)
        if len(down):
            landings.append(-float(rate[start + 1 + down[0]]))
    left = np.flatnonzero(way > ROLLOUT)
    clock = {}
    for feet in (60, 330, 660):
        there = np.flatnonzero(way > ROLLOUT + feet * FOOT)
        if len(left) and len(there):
            clock[feet] = float(np.interp(ROLLOUT + feet * FOOT, way[there[0] - 1 : there[0] + 1],
                                          time[there[0] - 1 : there[0] + 1]) - time[left[0]])  # fmt: skip
    landing, bar = max(landings, default=None), float(columns["bar"].max())
    return Run(columns, float(lift[after].max()), landing, bar, len(starts), over, clock)
