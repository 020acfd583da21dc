"""The outside car is a car: it stands, it keeps what mechanics keep, it does the same twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bench.calibration import load
from tests import ROOT
from tests.outside_car import car as car_module
from tests.outside_car.kinds import KINDS
from tests.outside_car.log import log_text
from tests.outside_car.parts import GRAVITY, weight

pytestmark = pytest.mark.slow
pytest.importorskip("mujoco")


@pytest.mark.parametrize("kind", KINDS)
def test_it_stands_on_its_wheels_as_moments_say(kind: str) -> None:
    """Static loads by moments about the contacts (R. N. Jazar, Vehicle Dynamics, 2008, chapter 2)."""
    one = car_module.OutsideCar(KINDS[kind])
    one._settle(4000)
    p = KINDS[kind]
    data = one.data
    total = weight(p)
    cg = data.subtree_com[0]
    rear_x = float(data.site_xpos[one.site["axle"]][0])
    front_x = float(data.site_xpos[one.site["hub"]][0])
    front = total * GRAVITY * (float(cg[0]) - rear_x) / (front_x - rear_x)
    assert one.front_load == pytest.approx(front, rel=0.01)
    assert abs(float(data.qvel[one.dof["way"]])) < 0.01
    assert abs(float(data.qpos[one._q("pitch")])) < 0.004


def test_its_weight_is_what_its_parts_weigh() -> None:
    one = car_module.OutsideCar(KINDS["links"])
    assert float(one.model.body_subtreemass[0]) == pytest.approx(weight(KINDS["links"]), rel=1e-9)


def test_a_nose_let_go_falls_as_a_hinged_body_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """With no thrust and the front wheels in the air the body turns about the rear axle.

    Its pitch rate changes by g x / k2, x the way to the centre of gravity and k2 the squared radius of
    gyration about the axle: the compound pendulum (F. P. Beer, E. R. Johnston, Vector Mechanics for
    Engineers: Dynamics, plane motion of rigid bodies; from memory).
    """
    p = replace(KINDS["welded"], rear_tyre_rate=5e6, bar_clear=0.9)
    one = car_module.OutsideCar(p)
    one._settle(2000)
    mujoco = one._mujoco
    data = one.data
    axle_z = float(data.site_xpos[one.site["axle"]][2])
    data.qpos[one._q("pitch")] = 0.15
    data.qpos[one._q("strut")] = -p.droop
    mujoco.mj_forward(one.model, data)
    data.qpos[one._q("heave")] -= float(data.site_xpos[one.site["axle"]][2]) - axle_z
    data.qvel[:] = 0
    mujoco.mj_forward(one.model, data)
    monkeypatch.setattr(one, "_brake", lambda: None)  # a braked wheel would turn with the body
    rates = []
    for _ in range(160):
        one._step(-1.0, None)
        rates.append(float(data.qvel[one.dof["pitch"]]))
    accel = (rates[159] - rates[79]) / (80 * car_module.STEP)
    inertia, moment = 0.0, 0.0
    axle = data.site_xpos[one.site["axle"]]
    for body in range(1, one.model.nbody):
        name = one.model.body(body).name
        if name in ("rim", "tread"):
            continue
        mass = float(one.model.body_mass[body])
        x, z = (float(data.xipos[body][i] - axle[i]) for i in (0, 2))
        inertia += mass * (x * x + z * z) + (float(one.model.body_inertia[body][1]) if name != "hub" else 0.0)
        moment += mass * GRAVITY * x
    assert accel == pytest.approx(-moment / inertia, rel=0.05)


@pytest.mark.parametrize("kind", KINDS)
def test_it_lifts_its_nose_and_lands_in_a_likely_time(kind: str) -> None:
    run = car_module.OutsideCar(KINDS[kind]).drive(load(ROOT / "traces" / "demo.toml"), controlled=False)
    assert not run.turned_over
    assert run.peak_lift > 0.2
    assert run.landing is not None
    assert 4.5 < run.time[660] < 6.5


def test_a_step_half_as_long_changes_little(monkeypatch: pytest.MonkeyPatch) -> None:
    calibration = load(ROOT / "traces" / "demo.toml")
    coarse = car_module.OutsideCar(KINDS["links"]).drive(calibration, controlled=False, distance=30.0)
    monkeypatch.setattr(car_module, "STEP", car_module.STEP / 2)
    fine = car_module.OutsideCar(KINDS["links"]).drive(calibration, controlled=False, distance=30.0)
    assert coarse.peak_lift == pytest.approx(fine.peak_lift, abs=0.010)
    assert coarse.time[60] == pytest.approx(fine.time[60], abs=0.010)


def test_the_same_seed_drives_the_same_run_and_its_log_holds_it() -> None:
    calibration = load(ROOT / "traces" / "demo.toml")
    one, same, other = (
        car_module.OutsideCar(KINDS["welded"], seed).drive(calibration, distance=30.0) for seed in (3, 3, 4)
    )
    for name, column in one.columns.items():
        assert np.array_equal(column, same.columns[name]), name
    assert not np.array_equal(one.columns["counts"], other.columns["counts"])
    rows = log_text(one.columns, 1).splitlines()
    assert len(rows) == 1 + (len(one.columns["time"]) + 4) // 5
    assert len(rows[1].split(",")) == len(rows[0].split(","))


def test_the_table_of_truth_is_what_the_cars_do() -> None:
    """One row of it, driven anew; another release of the library may round otherwise."""
    from tests.outside_car.__main__ import HEAD, TRUTH, row

    head, *rows = TRUTH.read_text().splitlines()
    assert head == HEAD
    assert [line.split(",")[:2] for line in rows] == [
        [kind, name] for kind in KINDS for name in ("off", "demo", "plain")
    ]
    kept = next(line for line in rows if line.startswith("links,plain,")).split(",")[2:]
    for old, new in zip(kept, row("links", "plain").split(",")[2:], strict=True):
        assert float(new) == pytest.approx(float(old), rel=0.02, abs=0.02)
