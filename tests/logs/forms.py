"""One demo run as twelve loggers would write it, each in an invented form of its own.

A form has the text of its file, the layout that reads it (tests/logs/layouts), and by hand the columns in
which height, speed and engine speed really stand (None where there is no such column).
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests import ROOT

LAYOUTS = Path(__file__).parent / "layouts"
RATIO, TYRE_MM = 3.9, 850.0


@dataclass(frozen=True)
class Row:
    """One sample of the run: s, mm, km/h, rpm, rpm, switches, %, degrees, a word."""

    t: float
    height: float
    speed: float
    engine: float
    shaft: float
    armed: int
    launch: int
    reduction: float
    retard: float
    reason: str


@dataclass(frozen=True)
class Form:
    """A file's text or bytes; the columns of height, speed and engine speed; `step` is what the height is
    rounded to in mm, `slow` what the speed is rounded to in km/h; whether the launch is the switch's."""

    content: str | bytes
    columns: tuple[int | None, int | None, int | None]
    step: float
    slow: float
    launch: bool = True


def run() -> list[Row]:
    """The rows of a demo run, with a reduction that follows the height as a car's own controller would."""
    rows = []
    with (ROOT / "traces" / "high_wheelstand.csv").open() as stream:
        for cells in list(csv.reader(stream))[1:]:
            t, height, speed, engine, shaft = map(float, cells[:5])
            cut = 25.0 if height > 350 else 0.0
            rows.append(
                Row(t, height, speed, engine, shaft, int(cells[5]), int(cells[6]), cut, cut / 5,
                    "NOSE HIGH" if cut else "OK")
            )  # fmt: skip
    return rows


def _table(rows: list[list[str]], mark: str = ",", end: str = "\n") -> str:
    return "".join(mark.join(row) + end for row in rows)


def _thirty() -> Form:
    """Thirty columns, time in ms from 12345, krpm, mph of the drive shaft, inches, no arming switch."""
    names = [
        "Log Time (ms)", "Battery Volts", "Oil Pressure (psi)", "Fuel Pressure (psi)",
        "Coolant Temp (F)", "RPM x1000", "DS MPH", "DS RPM", "Boost (psi)", "MAP (kPa)", "TPS (%)",
        "Gear", "Lambda 1", "Lambda 2", "EGT 1 (F)", "EGT 2 (F)", "EGT 3 (F)", "EGT 4 (F)",
        "Front Ride Ht (in)", "Rear Ride Ht (in)", "Accel X (g)", "Accel Y (g)", "Shock LF (in)",
        "Shock RF (in)", "Trans Temp (F)", "Converter Pressure (psi)", "Launch RPM Limit",
        "Lap Time", "Launch Switch", "Marker",
    ]  # fmt: skip
    rows = [names]
    for r in run():
        row = ["1.0"] * 30
        row[0], row[1], row[5] = f"{12345 + 1000 * r.t:.0f}", "13.8", f"{r.engine / 1000:.3f}"
        row[6], row[7] = f"{r.speed / 1.609344:.2f}", f"{r.shaft:.0f}"
        row[18], row[19], row[26] = f"{r.height / 25.4:.3f}", "6.2", "5200"
        row[28] = str(r.launch)
        rows.append(row)
    return Form(_table(rows), (19, 7, 6), 0.02, 0.01)


def _volts() -> Form:
    """Height in volts, GPS speed at a tenth of the rate, decimal comma, no switches at all."""
    rows = [["Zeitstempel [s]", "Front Laser [V]", "GPS Speed [mph]", "Engine RPM", "GPS Altitude [m]"]]
    for i, r in enumerate(run()):
        speed = f"{r.speed / 1.609344:.3f}" if i % 10 == 0 else ""
        rows.append([f"{r.t:.3f}", f"{r.height / 100:.4f}", speed, f"{r.engine:.0f}", "212.5"])
    return Form(_table(rows, ";").replace(".", ","), (2, 3, 4), 0.01, 3.0, False)


def _passes() -> Form:
    """A burnout, a creep up to the line, the run, the shutdown and the return road in one file; units row."""
    rows = [["Time", "Nose Height", "Vehicle Speed", "Engine Speed"], ["s", "mm", "km/h", "rpm"]]
    t = 0.0

    def drive(seconds: float, height: float, speed: Callable[[float], float], engine: float) -> None:
        nonlocal t
        for i in range(round(seconds * 200)):
            rows.append([f"{t:.3f}", f"{height:.1f}", f"{max(0.0, speed(i / 200)):.1f}", f"{engine:.0f}"])
            t = round(t + 0.005, 3)

    drive(5, 130, lambda s: 0, 2300)
    drive(2, 133, lambda s: 31 * math.sin(s * math.pi / 2), 6800)
    drive(3, 130, lambda s: 0, 2300)
    drive(4, 130, lambda s: 4 if s < 3.5 else 0, 2300)
    drive(3, 130, lambda s: 0, 2300)
    for r in run():
        rows.append([f"{t:.3f}", f"{r.height:.1f}", f"{r.speed:.1f}", f"{r.engine:.0f}"])
        t = round(t + 0.005, 3)
    top = run()[-1].speed
    drive(9, 130, lambda s: top * (1 - s / 9), 2300)
    drive(6, 130, lambda s: 0, 2300)
    drive(30, 130, lambda s: min(3 * s, 50, 3 * (30 - s)), 2500)
    drive(3, 130, lambda s: 0, 2300)
    return Form(_table(rows), (2, 3, 4), 0.1, 0.1, False)


def _inverted() -> Form:
    """The trans-brake is on until the launch; the arming switch is on when the system is off."""
    rows = [["Elapsed [ms]", "Ride Height [cm]", "Road Speed [m/s]", "Eng RPM", "Safe", "Trans Brake"]]
    for r in run():
        brake = "ON" if r.t > 0.2 and not r.launch else "OFF"
        cells = [f"{1000 * r.t:.0f}", f"{r.height / 10:.2f}", f"{r.speed / 3.6:.3f}", f"{r.engine:.0f}"]
        rows.append([*cells, str(1 - r.armed), brake])
    return Form(_table(rows, "\t"), (2, 3, 4), 0.1, 0.01)


def _epoch() -> Form:
    """Milliseconds since 1970, names in one word each."""
    rows = [
        ["timestampMs", "frontHeightMm", "vehicleSpeedKmh", "engineRpm", "batteryVolts", "armed", "launched"]
    ]
    for r in run():
        time = 1_795_795_200_123 + round(1000 * r.t)
        cells = [str(time), f"{r.height:.1f}", f"{r.speed:.1f}", f"{r.engine:.0f}", "13.7"]
        rows.append([*cells, "true" if r.armed else "false", "true" if r.launch else "false"])
    return Form(_table(rows), (2, 3, 4), 0.1, 0.1)


def _reasons() -> Form:
    """What the car's own controller did, with its reason in words."""
    names = ["T [s]", "Height Sensor [mm]", "Ground Speed [km/h]", "RPM", "Armed", "Launch"]
    rows = [[*names, "Torque Reduction [%]", "Timing Retard [deg]", "Cut Reason", "Cut Active"]]
    for r in run():
        cells = [
            f"{r.t:.3f}",
            f"{r.height:.1f}",
            f"{r.speed:.1f}",
            f"{r.engine:.0f}",
            str(r.armed),
            str(r.launch),
        ]
        rows.append([*cells, f"{r.reduction:.1f}", f"{r.retard:.1f}", r.reason, str(int(r.reduction > 0))])
    return Form(_table(rows, "|"), (2, 3, 4), 0.1, 0.1)


def _comma() -> Form:
    """Decimal comma and tabs, names in another language, one byte a character."""
    rows = [
        ["Zeit [s]", "Höhe vorne [mm]", "Geschwindigkeit [km/h]", "Motordrehzahl [1/min]", "Öldruck [bar]"]
    ]
    for r in run():
        rows.append([f"{r.t:.3f}", f"{r.height:.1f}", f"{r.speed:.1f}", f"{r.engine:.0f}", "4.5"])
    text = _table(rows, "\t", "\r\n").replace(".", ",")
    return Form(text.encode("latin-1"), (2, 3, 4), 0.1, 0.1, False)


def _bare() -> Form:
    """No header line."""
    rows = [
        [f"{r.t:.3f}", f"{r.engine:.0f}", f"{r.speed:.1f}", f"{r.height / 1000:.5f}", str(r.launch)]
        for r in run()
    ]
    return Form(_table(rows, " "), (4, 3, 2), 0.01, 0.1)


def _clock() -> Form:
    """Times of day, height in feet, lines of text above."""
    rows = [
        ["Time of Day", "Laser Height (ft)", "Car Speed (ft/s)", "Tach (rpm)", "Throttle (%)", "Launch Flag"]
    ]
    for r in run():
        seconds = 22.5 + r.t
        time = f"14:{3 + int(seconds // 60):02d}:{seconds % 60:06.3f}"
        cells = [time, f"{r.height / 304.8:.5f}", f"{r.speed / 1.09728:.3f}", f"{r.engine:.0f}", "100"]
        rows.append([*cells, str(r.launch)])
    return Form("Session;3\nTrack: Oskwithy\n\n" + _table(rows), (2, 3, 4), 0.01, 0.01)


def _counts() -> Form:
    """Nanoseconds since 1970, height in counts, cylinders cut instead of a percentage."""
    rows = [["epoch_ns", "laser_raw_counts", "speed_kmh", "rpm", "cyl_cut", "dwell_time_ms", "laser_ok"]]
    for r in run():
        time = 1_795_795_200_123_456_789 + round(1e9 * r.t)
        counts = round(r.height * 4095 / 500)
        cut = round(r.reduction / 12.5)
        rows.append([str(time), str(counts), f"{r.speed:.1f}", f"{r.engine:.0f}", str(cut), "3.5", "1"])
    return Form(_table(rows), (2, 3, 4), 0.13, 0.1, False)


def _shaft() -> Form:
    """No speed but that of the drive shaft, in rpm."""
    rows = [["Time,s", "Nose,mm", "Engine Speed,rpm", "Driveshaft Speed,rpm", "Target RPM,rpm", "Launch"]]
    for r in run():
        cells = [f"{r.t:.3f}", f"{r.height:.1f}", f"{r.engine:.0f}", f"{r.shaft:.0f}", "7200", str(r.launch)]
        rows.append(cells)
    return Form(_table(rows, ";"), (2, None, 3), 0.1, 0.0)


def _late() -> Form:
    """The height in mV of a falling sensor, 20 ms later than the rest; each signal in rows of its own."""
    rows = [
        [
            "Elapsed Time [s]",
            "Ride Height Sensor [mV]",
            "Front Wheel Speed [km/h]",
            "Engine [rpm]",
            "Arm",
            "Launch",
        ]
    ]
    whole = run()
    for i, r in enumerate(whole):
        seen = whole[max(0, i - 4)].height
        millivolts = f"{4500 - 8 * seen:.1f}"
        rows.append([f"{r.t:.3f}", millivolts, "", "", str(r.armed) if i % 50 == 0 else "", str(r.launch)])
        rows.append([f"{r.t:.3f}", "", f"{r.speed:.1f}", f"{r.engine:.0f}", "", ""])
    return Form(_table(rows), (2, 3, 4), 0.05, 0.1)


FORMS: dict[str, Callable[[], Form]] = {
    "thirty": _thirty,
    "volts": _volts,
    "passes": _passes,
    "inverted": _inverted,
    "epoch": _epoch,
    "reasons": _reasons,
    "comma": _comma,
    "bare": _bare,
    "clock": _clock,
    "counts": _counts,
    "shaft": _shaft,
    "late": _late,
}
