"""Controllers with one rule taken out or bent, which the suite must catch."""

from __future__ import annotations

from dataclasses import dataclass

from controller.constants import ALLOWANCE_LIMIT, RETURN_COUNTS, RETURN_SPREAD
from controller.height import Height
from controller.lift import Lift
from controller.step import Controller


class UsesAll(Height):
    """H3 out: every sample inside the window is used."""

    def sample(self, counts: int, car_speed: int, launched: int, taking: int, rest: int, falling: int) -> int:
        self.allowance_up = self.allowance_down = self._unasked_fall = ALLOWANCE_LIMIT
        return super().sample(counts, car_speed, launched, taking, rest, falling)


class FallIsAgreed(Height):
    """H3 bent: a large fall while torque is taken needs agreement only."""

    def sample(self, counts: int, car_speed: int, launched: int, taking: int, rest: int, falling: int) -> int:
        return super().sample(counts, car_speed, launched, 0, rest, falling)


class NeverUpwards(Height):
    """H3 bent: agreement does not help a fast lift, and the allowance does not grow."""

    def sample(self, counts: int, car_speed: int, launched: int, taking: int, rest: int, falling: int) -> int:
        self.agreeing = 0 if self.acquired else self.agreeing
        self.allowance_up = self._calibration.allowance
        return super().sample(counts, car_speed, launched, taking, rest, falling)


class NeverConfirms(Height):
    """H4 out: samples not used are never a fault."""

    def _refuse(self, launched: int, taking: int, fell: bool) -> None:
        was = self.faulted
        super()._refuse(launched, taking, fell)
        if not was and not fell:
            self.faulted = 0
            self.bad = 0


class ForgetsAtOnce(Height):
    """H4 bent: one used sample forgets all that were not used."""

    def _use(self, height: int) -> None:
        self.bad = 0
        super()._use(height)


class HealsAtOnce(Height):
    """H4 bent: one used sample heals."""

    def _use(self, height: int) -> None:
        if self.faulted and self.acquired:
            self.healing = self._calibration.heal_samples
        super()._use(height)


class NeverHeals(Height):
    """H4 bent: a fault stays."""

    def _use(self, height: int) -> None:
        if self.faulted:
            self.healing = 0
        super()._use(height)


class NeverHidden(Height):
    """H5 out: the nose is never out of sight."""

    def _nears_end(self) -> bool:
        return False


class HiddenForAWhile(Height):
    """H5 bent: out of sight times out."""

    hidden = 0

    def sample(self, counts: int, car_speed: int, launched: int, taking: int, rest: int, falling: int) -> int:
        self.hidden = self.hidden + 1 if self.out_of_sight else 0
        if self.hidden > 100:
            self.out_of_sight = 0
        return super().sample(counts, car_speed, launched, taking, rest, falling)


class NeverReturns(Height):
    """H10 out: no chain of samples brings the sensor back."""

    def _follow_chain(self, counts: int, height: int, step: int, rest: int, falling: int) -> None:
        self.chain = 0


class FallsFromAnywhere(Height):
    """H10 bent: a chain may begin wherever it likes."""

    def _nose_fall(self, falling: int) -> int:
        return ALLOWANCE_LIMIT


class FrozenReturns(Height):
    """H10 bent: a reading that never moves brings the sensor back."""

    def _follow_chain(self, counts: int, height: int, step: int, rest: int, falling: int) -> None:
        super()._follow_chain(counts, height, step, rest, falling)
        self.chain_greatest += RETURN_SPREAD + 1
        self.chain_greatest_counts += RETURN_COUNTS + 1


class JumpsStay(Height):
    """H11 out: no jump is provisional."""

    def _follow_jump(self, height: int, seen: bool) -> None:
        self.jump_agreeing = 0


class KeepsNothing(Controller):
    """H6 out: a fault drops the demand to 0 and lets the hold run out."""

    def _watch_faults(self, launching: bool, taking: int) -> None:
        super()._watch_faults(launching, taking)
        self.keeping = 0


class LetsGoAtOnce(Controller):
    """H6 bent: what was kept is given back in one step."""

    def _take_torque(self) -> None:
        if self.keeping and self.keep_left == 0:
            self.reduction.reset()
            self.retard.reset()
        super()._take_torque()


class NeverBlind(Controller):
    """H6 out: a fault with nothing taken gives no fixed reduction."""

    def _watch_faults(self, launching: bool, taking: int) -> None:
        super()._watch_faults(launching, taking)
        self.blind = 0


class NeverStuck(Height):
    """H8 out: a frozen reading is never stuck."""

    def sample(self, counts: int, car_speed: int, launched: int, taking: int, rest: int, falling: int) -> int:
        return super().sample(counts, 0, launched, taking, rest, falling)


class LosesSpeed(Lift):
    """H9 bent: a lost sample makes the speed 0."""

    def miss(self) -> None:
        self._look(0)


class DisarmsAtOnce(Controller):
    """L8 out: the first open tick of the arming input disarms."""

    def _watch_run(self, armed: int, launch: int) -> bool:
        if self.armed and not armed:
            self.unarmed_ticks = self._calibration.disarm_ticks
        return super()._watch_run(armed, launch)


@dataclass(frozen=True)
class Variant:
    """What is taken out, and the cell in which the suite must see it."""

    rule: str
    part: type[Height] | type[Lift] | type[Controller]
    failure: str
    phase: str
    says: (
        str  # "back" for criterion 1 or "stays" for 3, in a run that is not pinned; or a line of criterion 2
    )


VARIANTS = (
    Variant("H3", UsesAll, "constant_below", "top", "back"),
    Variant("H3", UsesAll, "spikes_down", "top", "back"),
    Variant("H3", FallIsAgreed, "constant_below", "top", "back"),
    Variant("H3", UsesAll, "spikes_up", "rising", "H3"),
    Variant("H3", NeverUpwards, "far_end", "rising", "H3"),
    Variant("H4", NeverConfirms, "lost_high", "rising", "H4"),
    Variant("H4", NeverConfirms, "zero_volt", "falling", "H4"),
    Variant("H4", ForgetsAtOnce, "mostly_dead", "falling", "H4"),
    Variant("H4", HealsAtOnce, "lost_high", "rising", "H4"),
    Variant("H4", NeverHeals, "lost_high", "rising", "H4"),
    Variant("H5", NeverHidden, "lost_high", "top", "H5"),
    Variant("H5", NeverHidden, "none", "top", "H4"),
    Variant("H5", HiddenForAWhile, "lost_high", "top", "H5"),
    Variant("H6", KeepsNothing, "lost_high", "top", "back"),
    Variant("H6", KeepsNothing, "spikes_down", "top", "back"),
    Variant("H6", KeepsNothing, "mostly_dead", "top", "H6"),
    Variant("H6", LetsGoAtOnce, "wander_beyond", "top", "H6"),
    Variant("H6", NeverBlind, "lost_high", "rising", "H6"),
    Variant("H8", NeverStuck, "stuck", "before", "H8"),
    Variant("H10", NeverReturns, "lost_high", "falling", "stays"),
    Variant("H10", FallsFromAnywhere, "beyond_constant", "top", "back"),
    Variant("H10", FrozenReturns, "lost_then_frozen", "top", "back"),
    Variant("H11", JumpsStay, "agreeing_bursts", "clean", "stays"),
    Variant("H9", LosesSpeed, "mostly_dead", "rising", "H9"),
    Variant("L8", DisarmsAtOnce, "arming_open", "falling", "back"),
    Variant("L8", DisarmsAtOnce, "arming_open", "top", "L8"),
)
