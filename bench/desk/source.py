"""A recorded run, and perhaps a car, under whatever calibration a person tries."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.replay.findings import Replay
from bench.replay.inputs import Inputs, Options, from_trace
from bench.replay.logged import Logged, lay_log
from bench.replay.run import core_to_use, run
from bench.vehicle.results import Outcome
from bench.vehicle.track import Track

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.model import Trace
    from bench.vehicle.car import VehicleFile

_MAPS = ("lift_points", "progress_points", "lift_axis", "progress_axis", "reduction_map", "retard_map")
_OF_THE_DESK = {
    *_MAPS, "hold_ticks", "hold_from", "release_q16", "trigger", "look_rising_q12", "look_falling_q12",
}  # fmt: skip


class Source:
    """What stays while a person works: the recorded run, and perhaps a car."""

    def __init__(self, trace: Trace, options: Options, vehicle: VehicleFile | None) -> None:
        self.trace = trace
        self.options = options
        self.vehicle = vehicle
        self.core, self.remark = core_to_use(None)
        self._inputs: tuple[dict[str, Any], Inputs, Logged | None] | None = None
        self._without: tuple[int, Outcome] | None = None
        self._present: tuple[str, Outcome] | None = None

    def _inputs_for(self, cal: CalibrationFile) -> tuple[Inputs, Logged | None]:
        """The controller's inputs and what the car's own did; anew only where something else than the desk's
        settings differs."""
        given = {name: value for name, value in cal.values.items() if name not in _OF_THE_DESK}
        if self._inputs is None or self._inputs[0] != given:
            inputs = from_trace(self.trace, cal, self.options)
            self._inputs = given, inputs, lay_log(self.trace, inputs, "replay")[0]
        return self._inputs[1:]

    def replay(self, cal: CalibrationFile) -> Replay:
        """The recorded run under a calibration."""
        inputs, logged = self._inputs_for(cal)
        return Replay(inputs, run(self.core, cal.image, inputs.arrays), cal, logged)

    def predict(self, cal: CalibrationFile) -> tuple[Outcome, Outcome] | str:
        """The car without and with the controller, driven as `liftlatch predict` does unless told
        otherwise; or why it is not."""
        from bench.vehicle.run import run as drive
        from bench.vehicle.run import slow

        assert self.vehicle is not None
        reason = slow()
        if reason:
            return f"no prediction while a setting moves: {reason}"
        car = self.vehicle.car
        track = Track(1, car.sensor_noise)
        if self._without is None or self._without[0] != cal.tick_us:
            self._without = (cal.tick_us, drive(car, cal, track, False))
        return self._without[1], drive(car, cal, track, True)

    def present(self, cal: CalibrationFile) -> Outcome:
        """The car with the calibration of the file, driven once."""
        from bench.vehicle.run import run as drive

        assert self.vehicle is not None
        if self._present is None or self._present[0] != cal.digest:
            car = self.vehicle.car
            self._present = (cal.digest, drive(car, cal, Track(1, car.sensor_noise), True))
        return self._present[1]
