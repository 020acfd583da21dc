"""The two files of a start, with a word beside every number: measured, computed from what, or guessed.

A comment that begins with "guessed" marks a number that `calibration check` and `predict` list until it is
replaced.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from bench.start.placing import FASTEST_MM_PER_MS, SPEEDS_KMH, Start

CALIBRATION, CAR, FOLDER = "calibration.toml", "car.toml", "liftlatch.toml"


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(f"{value:g}" for value in values) + "]"


def _origin(start: Start, name: str, words: str = "measured") -> str:
    return "guessed: answer it when you know" if name in start.guessed else words


def calibration_text(s: Start) -> str:
    """The calibration: mild, with look-ahead, placed for this car's droop, rest height and sensor."""
    low, high = sorted(s.sensor_volts)
    margin = max(0.02 * (high - low), 0.02)
    window = [max(0, round((low - margin) / s.reference * s.adc_max)),
              min(s.adc_max, round((high + margin) / s.reference * s.adc_max))]  # fmt: skip
    points = sorted(zip(s.sensor_volts, s.sensor_range, strict=True))
    begin, retard = s.ceiling(s.start_lift), s.ceiling(max(0.85 * s.start_lift, s.droop + 15))
    end = int(s.end_lift)  # never above what the sensor sees
    full = [end, end, end, round(begin[-1] + 1.5 * (end - begin[0]))]
    return f"""\
# Calibration of {_comment(s.name)}, a start.
#
# Beside each number stands where it comes from: measured (you said so), computed (from what), usual, or
# guessed. "liftlatch calibration check" lists what is guessed until its word is changed.
#
# A start is no setting for a race: try it on stands, with the engine off, before the strip.

[car]
name = {json.dumps(s.name)}
droop_mm = {s.droop:g}               # measured: so far the body rises with the wheels on the ground

[tick]
tick_ms = 1                # usual: one step of the controller

[sensor]
adc_max_counts = {s.adc_max}      # {_origin(s, "adc", "from the controller's manual")}
reference_v = {s.reference:g}            # {_origin(s, "adc", "from the controller's manual")}
window_counts = {_list(window)}  # computed: the sensor's two voltages and 2 % more
curve_v = {_list([v for v, _ in points])}       # measured, or from its data sheet
curve_height_mm = {_list([mm for _, mm in points])}
rest_height_mm = {s.sensor_rest:g}       # measured
axle_gain = {s.axle_gain:.3f}          # computed: wheelbase / (wheelbase + {s.sensor_ahead:g} mm to the beam)
period_ms = {s.sensor_period:g}              # {_origin(s, "sensor_period", "from its data sheet")}
noise_mm = 3               # guessed: record the car standing still and look how far the height wanders
fastest_mm_per_ms = {FASTEST_MM_PER_MS}      # usual: no nose rises or falls faster
confirm_ms = {s.confirm:g}            # computed: so long without a usable reading is a fault
heal_ms = {max(50.0, 4 * s.sensor_period):g}               # computed: so long with usable ones: healthy again
agree_samples = {s.agree}          # computed: 3, or 2 of a sensor slower than 2 ms
near_end_mm = {s.near_end}           # computed: what the fastest nose crosses in one sample more, 25 at least

[filter]
median_samples = 3         # usual: single spikes are dropped
time_constant_ms = 4       # usual

# The maps are entered with the lift expected so far ahead: the nose goes up and comes down softly. Computed:
# the way from the droop to the start of the cut at 0.7 m/s, 250 to 400 ms.
[look_ahead]
rising_ms = {s.look_ahead}
falling_ms = 0

[progress]
by = "speed"
speed_from = "car"         # guessed: "front_wheel" if the speed is a front wheel's
rise_kmh_per_s = 150       # usual: faster changes are believed only bit by bit
fall_kmh_per_s = 50
largest_step_kmh = 20

# Stands in when the speed is missing.
[progress.expected]
elapsed_ms = [0, 500, 1000, 1500, 2000, 3000, 4000, 5000]
speed_kmh = [0, 42, 80, 112, 140, 185, 218, 243]  # guessed: take it from a run of this car

# Lift of the front axle at each speed. Computed: the sensor ends at {s.end_lift:.0f} mm of lift at the axle,
# and the cut is full there; it begins at {s.start_lift:.0f} mm and comes down by a third with speed, since
# nothing here knows how the air lifts the car.
[ceilings]
speed_kmh = {_list(SPEEDS_KMH)}
retard_from_mm = {_list(retard)}
reduction_from_mm = {_list(begin)}
reduction_full_mm = {_list(full)}
greatest_reduction_percent = 50  # usual for a start
greatest_retard_deg = 8
largest_difference_percent = 7

[latch]
trigger_percent = 2
trigger_hysteresis_percent = 1
hold_ms = 30               # usual with look-ahead: 20 to 50 ms, never 0
hold_from = "peak"
release = "step"

[latch.retard]
follows_map = false
trigger_deg = 1
trigger_hysteresis_deg = 0.5
release_deg_per_s = 60

[fault]
hold_ms = 3000             # usual: longer than the nose can be in the air
release_percent_per_s = 50
release_deg_per_s = 20
blind_reduction_percent = 20
blind_growth_percent_per_s = 100
blind_until_ms = 3000

[limits]
reduction_percent = 75
retard_deg = 15

[cylinders]
count = {len(s.firing_order)}
firing_order = {_list(s.firing_order)}
skips = "both"             # guessed: what your ignition and injection can switch off

[arming]
disarm_ms = 100
"""


def car_text(s: Start) -> str:
    """The car's file: what was answered; what nobody can measure is left to rules that `predict` names."""
    speeds, torques = zip(*s.torque, strict=True)
    bar = ""
    if s.bar is not None:
        bar = f"""
[wheelie_bar]
behind_rear_axle_mm = {s.bar[0]:g}  # measured
clear_mm = {s.bar[1]:g}             # measured
"""
    shifts = [s.shift_speed] * (len(s.gears) - 1)
    shift_at = f"shift_at_rpm = {_list(shifts)}  # {_origin(s, 'shift_speed')}\n" if shifts else ""
    return f"""\
# {_comment(s.name)} for the car model, a start.
#
# What is not here (pitch inertia, damping, unsprung masses ...) is estimated from what is, with a wide
# scatter; "liftlatch predict" names each. A sketch of the lengths stands in the page of the car model.

[car]
name = {json.dumps(s.name)}

[body]
mass_kg = {s.mass:g}                     # measured
wheelbase_mm = {s.wheelbase:g}           # measured
cg_ahead_of_rear_axle_mm = {s.cg_ahead:.0f}    # computed: front weight / weight * wheelbase
cg_height_mm = {s.cg_height:.0f}         # {_origin(s, "cg_height")}

[rear_tyre]
radius_mm = {s.rear_radius:g}            # measured
grip = 2.8                     # guessed: fit the car to a run

[front_tyre]
radius_mm = {s.front_radius:g}           # measured

[front_suspension]
spring_n_per_mm = {_front_spring(s):.0f}           # guessed: a body that bounces at 1.45 Hz
droop_mm = {s.droop:g}                   # measured
{bar}
[engine]
torque_at_rpm = {_list(speeds)}
torque_nm = {_list(torques)}  # guessed: a usual shape with the power that you gave
launch_speed_rpm = {s.launch_speed:g}
launch_torque_percent = 85     # guessed
full_after_ms = 200            # guessed

[converter]                    # a car with a clutch: see bench/vehicle/README.md
stall_torque_nm = {s.stall_torque}  # computed: the engine's torque at its launch speed
stall_torque_at_rpm = {s.launch_speed:g}
torque_ratio = 2.1             # guessed: from the converter's maker

[gearbox]
ratios = {_list(s.gears)}
{shift_at}final_drive = {s.final_drive:g}

[sensor]
ahead_of_front_axle_mm = {s.sensor_ahead:g}
rest_height_mm = {s.sensor_rest:g}
farthest_mm = {max(s.sensor_range):g}
noise_mm = 0.8                 # guessed: one standard deviation
"""


def folder_text(s: Start) -> str:
    """The folder's own file: what commands take from here."""
    return f"""\
# The folder of {_comment(s.name)}. In it and below it, commands take from here what the command line
# does not say; what is said there wins. Names of files are from this folder on.

calibration = "{CALIBRATION}"
vehicle = "{CAR}"
distance_ft = 660          # of the strip: 60, 330, 660, 1000 or 1320
# layouts = ["logger.toml"]     # how the logger's files are read, as "liftlatch trace learn" writes it
# port = "/dev/ttyUSB0"         # of the device

# What "search" and "next" must keep; "search --help" names what can be limited.
[limits]
lift_mm = {math.floor(s.end_lift)}              # computed: what the sensor sees; lower it to what you allow
landing_m_per_s = 1.5      # guessed: what you allow
"""


def _front_spring(s: Start) -> float:
    """N/mm at the wheels for 1.45 Hz of the mass on the front springs."""
    return (s.front_weight - 0.05 * s.mass) * (2 * 3.14159 * 1.45) ** 2 / 1000


def _comment(name: str) -> str:
    """A name in a comment: one line."""
    return " ".join(name.split())
