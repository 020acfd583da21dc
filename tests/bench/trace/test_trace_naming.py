"""Which column a name speaks of: headers as loggers of many kinds write them (invented; from memory of the
trade's words, no source)."""

import pytest

from bench.trace.choice import HeaderColumn, candidates_of
from bench.trace.naming import holds_back, ruled_out_by, source_of, split_name

# header -> the columns of time, height, speed and engine speed
HEADERS = {
    "Time,Engine RPM,Drive Shaft RPM,Front Height,Rear Height,GPS_Speed (mph),Height Target": (1, 4, 6, 2),
    "Sec,RPM,D/S RPM,Nose Ht (in),Wheelie Bar Load,Vehicle Spd MPH": (1, 4, 6, 2),
    "TIME [s],ENG_SPD [krpm],DS_SPD [rpm],RH_FRONT [mm],RH_REAR [mm],VEH_SPD [mph]": (1, 4, 6, 2),
    "t_ms,n_engine,h_front_mm,v_kmh,n_shaft": (1, 3, 4, 2),
    "Elapsed Time,Motor RPM,Prop Shaft RPM,Laser Height F (in),Ground Speed (GPS) mph": (1, 4, 5, 2),
    "Unix Time (ms),Tach,Front_Laser_V,FW Speed mph,Clutch RPM,Input Shaft RPM": (1, 3, 4, 2),
    "Timestamp,engine_rpm,ride_height_front_mm,gps_speed_mps,driveshaft_rpm,2-step": (1, 3, 4, 2),
    "UTC,RPM (x1000),Front End Height [in],MPH,Boost": (1, 3, 4, 2),
    "time,Crank RPM,Lidar Distance (mm),Radar Speed (ft/s),Distance (ft)": (1, 3, 4, 2),
    "Epoch us,Engine Speed,Ground Clearance Front,Speed over Ground kt,Heading": (1, 3, 4, 2),
    "Session Time,Revs,Chassis Height Sensor (V),Driveshaft MPH,Converter RPM": (1, 3, 4, 2),
    "Log time s,RPM,Front Shock Travel in,Ride Ht Sensor volts,Dshaft RPM,Car Speed mph": (1, 4, 6, 2),
    "Time,EngineSpeed,NoseHeight,RoadSpeed,DriveshaftSpeed,LaunchSwitch,ArmSwitch": (1, 3, 4, 2),
    "ms,rpm,height,speed": (1, 3, 4, 2),
    "Date Time,RPM_1,Front Ground Distance mm,GPS Velocity km/h,GPS Height m": (1, 3, 4, 2),
    "Time(ms),RPM*1000,FrontRideHgt(in),Speed(MPH),TransBrakeSw,Lap Time": (1, 3, 4, 2),
    "Time,RPM,Pitch Height,Body Height Front,Speed GPS,Speed Wheel": (1, 4, 5, 2),
    "Zeit,Drehzahl,Höhe,Geschwindigkeit,Öltemperatur": (1, 3, 4, 2),
}


@pytest.mark.parametrize("header", HEADERS)
def test_the_first_candidate_of_each_signal_is_the_right_column(header):
    columns = []
    for number, title in enumerate(header.split(","), 1):
        name, unit = split_name(title)
        columns.append(HeaderColumn(number, title, name or title, unit, ""))
    found = tuple(
        candidates_of(columns, role)[0].column.number for role in ("time", "height", "speed", "engine_speed")
    )
    assert found == HEADERS[header]


@pytest.mark.parametrize(
    ("title", "split"),
    [
        ("RPM x1000", ("rpm", "krpm")),
        ("RPM (x1000)", ("rpm", "krpm")),
        ("Speed km/h", ("Speed", "km/h")),
        ("speed/km/h", ("speed", "km/h")),
        ("GroundSpeedMph", ("GroundSpeedMph", "mph")),
        ("Height [in]", ("Height", "in")),
        ("rpm", ("rpm", "rpm")),
        ("Launch in", ("Launch", "in")),
        ("Gear", ("Gear", None)),
    ],
)
def test_a_name_and_its_unit(title, split):
    assert split_name(title) == split


def test_words_that_say_another_signal_are_told():
    assert ruled_out_by("height", "Rear Ride Height") == "rear"
    assert ruled_out_by("engine_speed", "Launch RPM Limit") == "launch"
    assert ruled_out_by("height", "Oil") == ""


def test_what_a_speed_is_and_which_switch_holds_the_car():
    assert source_of("GPS Speed", "mph") == "gps"
    assert source_of("DS Speed", "mph") == "drive shaft"
    assert source_of("Front Wheel Speed", "mph") == "front wheel"
    assert source_of("Vehicle Speed", "mph") == "road"
    assert holds_back("Trans-Brake")
    assert holds_back("2-Step")
    assert not holds_back("Brake Pressure")
