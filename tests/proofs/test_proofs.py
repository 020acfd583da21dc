"""The claims of tests/proofs, proved; and faults in copies of the code, which they must find."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.proofs import claims, faults
from tests.proofs.bounds import prove_bounds
from tests.proofs.core import Core
from tests.proofs.enumerated import engine_share
from tests.proofs.reference import Reference
from tests.proofs.symbolic import LIMIT
from tests.tools import need

BOTH = pytest.mark.parametrize("code", [Reference, Core])


@pytest.fixture(scope="module")
def made() -> dict[type, Any]:
    return {}


@pytest.fixture
def to(made: dict[type, Any], code: type) -> Any:
    """What is proved: the reference, or the C core as translated."""
    if code is Core:
        need("gcc")  # its preprocessor
    if code not in made:
        made[code] = code()
    return made[code]


def proved(to: Any, *names: str) -> None:
    for name in names:
        assert claims.run_claim(name, to).paths > 0


# -- fast: one of each kind ---------------------------------------------------------------------------------


@pytest.mark.parametrize("code", [Reference])
@pytest.mark.rule("H2", "H7", "H9", "M1")
def test_helpers_and_low_pass(to: Any) -> None:
    proved(
        to,
        "helpers_clamp",
        "helpers_mul_q12",
        "helpers_mul_div",
        "helpers_round_div",
        "lowpass",
        "maps_exact",
    )


@pytest.mark.parametrize("code", [Reference])
@pytest.mark.rule("L1", "L6", "H5", "H6")
def test_a_latch_at_rest_without_hold_and_in_a_fault(to: Any) -> None:
    proved(to, "latch_rest", "latch_without_hold", "latch_out_of_sight", "latch_fault")


@pytest.mark.parametrize("code", [Reference])
@pytest.mark.rule("T1", "M1")
def test_the_widest_intermediates_of_map_and_low_pass(to: Any) -> None:
    bounds, _, _ = prove_bounds(to, ["maps_bilinear", "lowpass", "fixed_mul_q12", "lift_learn"])
    assert LIMIT // 2 < max(bounds.values()) < LIMIT


@pytest.mark.parametrize(
    "fault", [f for f in faults.IN_REFERENCE if f.proof in ("lowpass", "maps_exact")], ids=lambda f: f.other
)
def test_a_fault_is_found(fault: faults.Fault) -> None:
    assert faults.found(fault.proof, Reference((fault.module, fault.text, fault.other)))


# -- slow: all of them --------------------------------------------------------------------------------------


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H2", "H9", "M1")
def test_helpers(to: Any) -> None:
    proved(to, "helpers_clamp", "helpers_mul_q12", "helpers_mul_div", "helpers_round_div")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("I1")
def test_what_an_accepted_image_keeps(to: Any) -> None:
    proved(to, "accepted", "accepted_axes", "accepted_ranges")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H1", "P3", "R1", "M1")
def test_interpolation(to: Any) -> None:
    proved(to, "lines", "lines_of_heights", "maps_between", "maps_exact")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("L1", "L2", "L9")
def test_a_latch_takes_and_keeps_its_peak(to: Any) -> None:
    proved(to, "latch_demand", "latch_above", "latch_rest", "latch_peak")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("L3", "L9")
def test_a_latch_holds_exactly(to: Any) -> None:
    proved(to, "latch_hold_from_peak", "latch_hold_from_landing", "latch_longer_hold")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("L4", "L5", "L6", "L7", "L8")
def test_a_latch_releases(to: Any) -> None:
    proved(to, "latch_release", "latch_again", "latch_without_hold")
    proved(to, "latch_calibrated", "latch_to_rest")
    proved(to, "latch_falls", "latch_shortened")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H5", "H6", "R1")
def test_a_latch_in_faults_and_slopes(to: Any) -> None:
    proved(to, "latch_fault", "latch_out_of_sight", "slope")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H1", "H3", "H4", "H5", "H6")
def test_which_samples_are_used(to: Any) -> None:
    proved(to, "height_sample")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H10", "R1")
def test_a_return_and_a_speed_that_could_be(to: Any) -> None:
    proved(to, "height_chain", "height_back", "request_speed")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H8", "L8")
def test_a_stuck_reading_and_the_run(to: Any) -> None:
    proved(to, "height_stuck", "run_begins_and_ends")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H5", "H6", "L8")
def test_what_a_fault_does_with_torque(to: Any) -> None:
    proved(to, "torque_phases")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("M1", "H5")
def test_the_places_in_a_map(to: Any) -> None:
    proved(to, "maps_place", "maps_greatest")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("H7", "H9")
def test_the_lifts_filters(to: Any) -> None:
    proved(to, "lowpass", "lift_median", "lift_miss")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("P1", "P3", "R3", "R4")
def test_progress_and_command(to: Any) -> None:
    proved(to, "progress_limited", "command")


@BOTH
@pytest.mark.slow
@pytest.mark.rule("C1", "C2", "C3")
def test_cylinder_events(to: Any) -> None:
    proved(to, "events_event", "events_cylinder")


@pytest.mark.slow
@pytest.mark.rule("C2")
def test_the_whole_engines_share_in_every_case() -> None:
    """Measured elsewhere in the project with random histories: 3.5 at worst."""
    assert engine_share().events < 4
    assert engine_share(spread=False).events > 4


@BOTH
@pytest.mark.slow
@pytest.mark.rule("T1")
def test_no_intermediate_reaches_the_limit_and_none_is_left_out(to: Any) -> None:
    bounds, _, _ = prove_bounds(to)
    assert to.left_out(bounds) == []
    assert max(bounds.values()) < LIMIT


def test_every_claim_is_proved_by_a_test_above() -> None:
    with open(__file__, encoding="utf-8") as file:
        text = file.read()
    slow = text[text.index("# -- slow") :]
    assert [name for name in claims.CLAIMS if not re.search(rf'"{name}"', slow)] == []


def test_every_claim_has_a_fault_that_it_finds() -> None:
    found = {fault.proof for fault in faults.IN_REFERENCE}
    assert claims.CLAIMS.keys() - found == {
        "lines_of_heights",  # in the reference the function of "lines"
        "events_cylinder",  # arithmetic alone: no code of the controller in it
    }


@pytest.mark.slow
@pytest.mark.parametrize("fault", faults.IN_REFERENCE, ids=lambda f: f"{f.proof}: {f.other.strip()}")
def test_a_fault_in_the_reference_is_found(fault: faults.Fault) -> None:
    assert faults.found(fault.proof, Reference((fault.module, fault.text, fault.other)))


@pytest.mark.slow
@pytest.mark.parametrize("fault", faults.IN_CORE, ids=lambda f: f"{f.proof}: {f.other.strip()}")
def test_a_fault_in_the_core_is_found(fault: faults.Fault) -> None:
    need("gcc")
    assert faults.found(fault.proof, Core((fault.module, fault.text, fault.other)))


@pytest.mark.slow
@pytest.mark.parametrize("fault", faults.RANGES, ids=lambda f: f.field)
def test_a_wider_range_is_found(fault: faults.Wider) -> None:
    with faults.wider(fault):
        assert faults.found(fault.proof, Reference())
