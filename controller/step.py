"""The controller: one `step` a tick, one `event` a cylinder and engine cycle."""

from .constants import (
    ASKER_BLIND,
    ASKER_ENGINE,
    ASKER_LIFT,
    ASKER_OUTSIDE,
    ASKER_SHAFT,
    BY_TIME,
    ELAPSED_LIMIT,
    FAULT_AT_LAUNCH,
    FAULT_INPUT,
    FAULT_NO_IMAGE,
    FAULT_SPEED,
    FAULT_TICK,
    FULL,
    IMAGE_OK,
    REASON_BLIND,
    REASON_ENGINE,
    REASON_KEPT,
    REASON_LIFT,
    REASON_OUT_OF_SIGHT,
    REASON_OUTSIDE_FIRST,
    REASON_OUTSIDE_LAST,
    REASON_SAFE,
    REASON_SHAFT,
    ROTATION_LIMIT,
    SPEED_LIMIT,
    TICK_NUMBER_MASK,
)
from .events import Events
from .fixed import clamp, crc32_word
from .height import Height
from .image import Calibration, blank, read
from .latch import Latch, Slope
from .lift import Lift
from .maps import Maps
from .progress import Progress
from .requests import Command, CurveRequest

_COUNT_LIMIT = 65535


class Controller:
    """The whole state of one controller.

    Assumptions: `load` gave IMAGE_OK once; `step` is called at the calibrated tick; `event` and
    `spark` may be called between ticks from an interrupt.

    Invariants:
    - equal images and equal inputs give equal states and outputs; nothing else is looked at.
    - without an active image every output is 0.
    - what acts is the command of the last step, but for a safe state since; commands and events share it.
    - before launch the lift demand is 0; `launched` ends only by a steady disarm or a reset.
    - `keeping` is 1 from a fault that began while torque was taken until the fault ends, the run
      ends, or nothing is taken any more; `blind` is 1 from a fault that began after launch with
      less reduction latched than the blind one until the fault or the run ends.
    - `keep_left` counts down while `keeping` or out of sight; out of sight it ends in a fault.

    The outputs of the last step are read as attributes: `command` (reduction, retard, reason,
    askers), `faults`, `reduction` and `retard` (the latches: demand, output, state, hold_left),
    `height.good`, `lift.value`, `lift.entry`, `progress.value`, `elapsed_ms`, `out_of_sight_ticks`.
    """

    __slots__ = (
        "_calibration",
        "_end_lift",
        "_loaded",
        "armed",
        "blind",
        "blind_slope",
        "command",
        "elapsed_ms",
        "elapsed_us",
        "engine",
        "events",
        "failing",
        "fault_at_launch",
        "faults",
        "height",
        "keep_left",
        "keeping",
        "launched",
        "lift",
        "maps",
        "out_of_sight_ticks",
        "progress",
        "reduction",
        "retard",
        "sample_wait",
        "shaft",
        "started",
        "tick",
        "unarmed_ticks",
    )

    def __init__(self) -> None:
        calibration = Calibration()
        blank(calibration)
        self._loaded = False
        self._build(calibration)

    def load(self, image: bytes) -> int:
        """Run from an image, starting as after power-up: IMAGE_OK, or why it is refused.

        When it is refused nothing changes.
        """
        calibration = Calibration()
        verdict = read(image, calibration)
        if verdict == IMAGE_OK:
            self._loaded = True
            self._build(calibration)
        return verdict

    def _build(self, c: Calibration) -> None:
        self._calibration = c
        self.height = Height(c)
        self.lift = Lift(c)
        self.progress = Progress(c)
        self.maps = Maps(c)
        self.reduction = Latch()
        self.reduction.calibrate(c.trigger, c.trigger_hysteresis, c.hold_ticks, c.hold_from, c.release_q16, 0)
        self.retard = Latch()
        self.retard.calibrate(
            c.retard_trigger,
            c.retard_trigger_hysteresis,
            c.hold_ticks,
            c.hold_from,
            c.retard_release_q16,
            c.retard_follows,
        )
        self.blind_slope = Slope()
        self.blind_slope.calibrate(c.blind_growth_q16, c.fault_release_q16)
        self.engine = CurveRequest()
        self.engine.calibrate_curve(
            c.engine_points, c.engine_ms, c.engine_rpm, c.engine_after_end, c.engine_hysteresis, c.tick_us
        )
        self.engine.calibrate_line(
            c.engine_line_points, c.engine_over_rpm, c.engine_reduction, c.engine_retard
        )
        self.engine.reduction.calibrate(0, c.engine_release_q16)
        self.engine.retard.calibrate(0, c.engine_retard_release_q16)
        self.shaft = CurveRequest()
        self.shaft.calibrate_curve(
            c.shaft_points, c.shaft_ms, c.shaft_rpm, c.shaft_after_end, c.shaft_hysteresis, c.tick_us
        )
        self.shaft.calibrate_line(c.shaft_line_points, c.shaft_over_rpm, c.shaft_reduction, c.shaft_retard)
        self.shaft.reduction.calibrate(0, c.shaft_release_q16)
        self.shaft.retard.calibrate(0, c.shaft_retard_release_q16)
        self.command = Command()
        self.command.calibrate(c)
        self.events = Events()
        self.events.calibrate(c)
        self.reset()

    def reset(self) -> None:
        """As after power-up with the same image (L8)."""
        self.height.reset()
        self.lift.reset()
        self.progress.reset()
        self.maps.reset()
        self.reduction.reset()
        self.retard.reset()
        self.blind_slope.reset()
        self.engine.reset()
        self.shaft.reset()
        self.command.reset()
        self.events.reset()
        self.started = 0
        self.tick = 0
        self.sample_wait = 0
        self.armed = 0
        self.unarmed_ticks = 0
        self.launched = 0
        self.elapsed_ms = 0
        self.elapsed_us = 0
        self.failing = 0
        self.fault_at_launch = 0
        self.keeping = 0
        self.keep_left = self._calibration.fault_hold_ticks
        self.blind = 0
        self.out_of_sight_ticks = 0
        self.faults = 0 if self._loaded else FAULT_NO_IMAGE
        self._end_lift = self.lift.of_height(self.height.far_end())

    def step(
        self,
        tick: int,
        counts: int,
        speed: int,
        speed_valid: int,
        engine_speed: int,
        shaft_speed: int,
        armed: int,
        launch: int,
        request_reduction: int,
        request_retard: int,
        request_reason: int,
    ) -> None:
        """One tick. Units and ranges of the inputs are those of constants.py; tick is 16 bits wide."""
        if not self._loaded:
            return
        c = self._calibration
        faults = 0
        if self.started and tick != (self.tick + 1) & TICK_NUMBER_MASK:
            faults = FAULT_TICK
        self.started = 1
        self.tick = tick & TICK_NUMBER_MASK

        if not (
            0 <= counts <= c.adc_max
            and 0 <= speed <= SPEED_LIMIT
            and 0 <= engine_speed <= ROTATION_LIMIT
            and 0 <= shaft_speed <= ROTATION_LIMIT
            and 0 <= request_reduction <= FULL
            and 0 <= request_retard <= FULL
        ):
            faults |= FAULT_INPUT  # counts out of range stay as they are: outside every window
            speed = clamp(speed, 0, SPEED_LIMIT)
            engine_speed = clamp(engine_speed, 0, ROTATION_LIMIT)
            shaft_speed = clamp(shaft_speed, 0, ROTATION_LIMIT)
            request_reduction = clamp(request_reduction, 0, FULL)
            request_retard = clamp(request_retard, 0, FULL)

        launching = self._watch_run(armed, launch)
        taking = 1 if self.reduction.output > 0 or self.retard.output > 0 else 0
        if self.sample_wait == 0:
            self.sample_wait = c.sample_ticks
            still = speed == 0 if speed_valid else c.progress_axis_kind == BY_TIME
            self._sample(counts, still, taking)
        self.sample_wait -= 1
        self.progress.step(
            speed, speed_valid, self.elapsed_ms, self.launched, self.lift.value, self.height.out_of_sight
        )

        self._watch_faults(launching, taking)
        self._take_torque()
        self.engine.step(engine_speed, self.elapsed_ms, self.launched | c.engine_before_launch)
        self.shaft.step(shaft_speed, self.elapsed_ms, self.launched)
        self._command(request_reduction, request_retard, request_reason)

        if not self.progress.valid:
            faults |= FAULT_SPEED
        if self.fault_at_launch:
            faults |= FAULT_AT_LAUNCH
        self.faults = faults | self.height.fault_bits()

    def safe(self) -> None:
        """The inputs have stopped coming: the calibrated safe state acts, on events too, until the next
        step, reset or load (W3). The outputs and the digest know nothing of it."""
        if self._loaded:
            c = self._calibration
            self.command.act(c.safe_reduction, c.safe_retard, REASON_SAFE)

    def acting(self) -> tuple[int, int, int]:
        """What acts on the engine now: (reduction, retard, reason) of the last step, or the safe state."""
        command = self.command
        return command._acting_reduction, command._acting_retard, command._acting_reason

    def event(self, cylinder: int) -> int:
        """The fuel of a cylinder's next cycle is due: FUEL_OFF and SPARK_OFF bits for that cycle (C1)."""
        return self.events.event(cylinder, self.command._acting_reduction)

    def spark(self, cylinder: int) -> int:
        """The spark of a cylinder's present cycle is due: SPARK_OFF or 0, as its event said (C1)."""
        return self.events.spark(cylinder)

    def _watch_run(self, armed: int, launch: int) -> bool:
        """Arm, disarm and launch (L8), and the time since launch; whether the run begins now."""
        c = self._calibration
        if armed:
            self.unarmed_ticks = 0
            if not self.armed:
                self.armed = 1
                self.lift.forget()
                self._end_lift = self.lift.of_height(self.height.far_end())
        elif self.armed:
            self.unarmed_ticks += 1
            if self.unarmed_ticks >= c.disarm_ticks:
                self._end_run()
        if self.launched:
            self.elapsed_us += c.tick_us
            self.elapsed_ms = min(self.elapsed_ms + self.elapsed_us // 1000, ELAPSED_LIMIT)
            self.elapsed_us %= 1000
        elif self.armed and launch:
            self.launched = 1
            self.out_of_sight_ticks = 0
            return True
        return False

    def _end_run(self) -> None:
        self.armed = 0
        self.unarmed_ticks = 0
        self.launched = 0
        self.elapsed_ms = 0
        self.elapsed_us = 0
        self.fault_at_launch = 0
        self.keeping = 0
        self.blind = 0
        self.height.disarm()

    def _sample(self, counts: int, still: bool, taking: int) -> None:
        height = self.height
        falling = 1 if self.lift.speed.value < 0 else 0
        held = height.sample(counts, self.progress.car_speed, self.launched, taking, self.lift.rest, falling)
        if held > 0:
            # No hold is longer than 1200000 ticks; the samples are 24576 at most, of 1000 ticks: below 2**25.
            self.reduction.shorten(held * self._calibration.sample_ticks)
            self.retard.shorten(held * self._calibration.sample_ticks)
        if not height.used:
            self.lift.miss()
            return
        if self.armed and not self.launched and self.lift.learn(height.good, still):
            self._end_lift = self.lift.of_height(height.far_end())
        self.lift.sample(height.good, height.reseed, height.gap)

    def _watch_faults(self, launching: bool, taking: int) -> None:
        """What a fault does that begins or ends at this tick (H5, H6)."""
        c = self._calibration
        if self.height.out_of_sight:
            if self.keep_left > 0:
                self.keep_left -= 1
            else:
                self.height.give_up()
        failing = self.height.failures(taking)
        if launching:
            self.fault_at_launch = 1 if failing else 0
        if failing & ~self.failing and self.launched:
            if taking:
                self.keeping = 1
            if self.reduction.output < c.blind_reduction and not launching:
                self.blind = 1
        if not failing:
            self.blind = 0
        if not failing or not taking:
            self.keeping = 0
        if not self.keeping and not self.height.out_of_sight:
            self.keep_left = c.fault_hold_ticks
        self.failing = failing

    def _take_torque(self) -> None:
        """One tick of both latches, and of the reduction that answers a fault with nothing taken."""
        c = self._calibration
        kept = self.keeping and self.keep_left > 0
        if self.height.out_of_sight:
            self.out_of_sight_ticks = min(self.out_of_sight_ticks + 1, _COUNT_LIMIT)
            self.maps.look_out_of_sight(self._end_lift, self.progress.value)
            self.reduction.step_out_of_sight(self.maps.reduction)
            self.retard.step_out_of_sight(self.maps.retard)
        elif self.keeping:
            if kept:
                self.keep_left -= 1
                self.reduction.keep()
                self.retard.keep()
            else:
                self.reduction.let_go(c.fault_release_q16)
                self.retard.let_go(c.fault_retard_release_q16)
        elif self.launched and not self.failing:
            self.maps.look(self.lift.entry, self.progress.value)
            self.reduction.step(self.maps.reduction)
            self.retard.step(self.maps.retard)
        else:
            self.reduction.step(0)
            self.retard.step(0)
        if self.blind:
            self.blind_slope.step(c.blind_reduction if self.elapsed_ms < c.blind_until_ms else 0)
        elif not kept:
            self.blind_slope.step(0)  # else a fault before this one still takes it: that is kept too

    def _command(self, request_reduction: int, request_retard: int, request_reason: int) -> None:
        command = self.command
        reason = REASON_LIFT
        if self.height.out_of_sight:
            reason = REASON_OUT_OF_SIGHT
        elif self.keeping:
            reason = REASON_KEPT
        command.begin()
        command.ask(self.reduction.output, self.retard.output, reason, ASKER_LIFT)
        command.ask(self.blind_slope.value, 0, REASON_BLIND, ASKER_BLIND)
        command.ask(self.engine.reduction.value, self.engine.retard.value, REASON_ENGINE, ASKER_ENGINE)
        command.ask(self.shaft.reduction.value, self.shaft.retard.value, REASON_SHAFT, ASKER_SHAFT)
        if request_reduction > 0 or request_retard > 0:
            who = clamp(request_reason, REASON_OUTSIDE_FIRST, REASON_OUTSIDE_LAST)
            command.ask(request_reduction, request_retard, who, ASKER_OUTSIDE)
        command.finish()

    def digest(self) -> int:
        """CRC-32 over the whole state, field by field: equal states give equal digests."""
        crc = 0xFFFFFFFF
        crc = crc32_word(crc, self.started)
        crc = crc32_word(crc, self.tick)
        crc = crc32_word(crc, self.sample_wait)
        crc = crc32_word(crc, self.armed)
        crc = crc32_word(crc, self.unarmed_ticks)
        crc = crc32_word(crc, self.launched)
        crc = crc32_word(crc, self.elapsed_ms)
        crc = crc32_word(crc, self.elapsed_us)
        crc = crc32_word(crc, self.failing)
        crc = crc32_word(crc, self.fault_at_launch)
        crc = crc32_word(crc, self.keeping)
        crc = crc32_word(crc, self.keep_left)
        crc = crc32_word(crc, self.blind)
        crc = crc32_word(crc, self.out_of_sight_ticks)
        crc = crc32_word(crc, self.faults)
        crc = self.height.digest(crc)
        crc = self.lift.digest(crc)
        crc = self.progress.digest(crc)
        crc = self.maps.digest(crc)
        crc = self.reduction.digest(crc)
        crc = self.retard.digest(crc)
        crc = self.blind_slope.digest(crc)
        crc = self.engine.digest(crc)
        crc = self.shaft.digest(crc)
        crc = self.command.digest(crc)
        return self.events.digest(crc) ^ 0xFFFFFFFF
