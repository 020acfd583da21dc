"""Formats, limits, states, reasons and bits of the controller: the one place that names a number.

Units inside the controller:

    height, lift        1/16 mm             signed, saturated at +-LIFT_LIMIT
    speed               0.1 km/h            0..SPEED_LIMIT
    engine, shaft       rpm                 0..ROTATION_LIMIT
    reduction           0.1 % of the cylinder events, 0..FULL
    retard              0.1 degree of crank 0..FULL
    ramps               Q16: 1/65536 of the unit they carry
    progress            Q12 while it is limited

Every intermediate value stays below 2**30, so that it fits an int32 and, on a 32-bit build of
MicroPython, a small integer that needs no heap.
"""

IMAGE_VERSION = 2

# Largest legal values of the signals.
LIFT_LIMIT = 32767
SPEED_LIMIT = 20000
ROTATION_LIMIT = 32767
COUNTS_LIMIT = 65535
ELAPSED_LIMIT = 65535
TICK_NUMBER_MASK = 0xFFFF
FULL = 1000

# Sizes of the fixed arrays.
SENSOR_POINTS = 8
AXIS_POINTS = 16
MAP_CELLS = AXIS_POINTS * AXIS_POINTS
CURVE_POINTS = 16
LINE_POINTS = 8
CYLINDERS = 12
TREND_SAMPLES = 32
LOOKBACK_SLOTS = 16
MEDIAN_SAMPLES = 5

# Ranges that keep products inside 30 bits; the image check enforces them.
WAIT_LIMIT = 8192
ALLOWANCE_LIMIT = 65534
LIFT_SPEED_LIMIT = 100000  # mm/s
EVENT_WRAPS = 16

# What no tuner could choose, each with its reason.
FALL_US = 20000  # after longer than this unseen a nose could be anywhere (H3)
RETURN_BELOW = 45 * 16  # tyres and springs let no nose lower than this (H10)
RETURN_ABOVE = 90 * 16  # droop and a little: the wheels are back on the ground (H10)
RETURN_SPREAD = 8  # 0.5 mm: a nose on a moving car wanders by more, a frozen one not (H10)
RETURN_COUNTS = 2  # what a frozen reading may still wander by in the converter (H10)
RETURN_LONGER = 3  # so many times the samples where no nose could have got (H10)
NOSE_MS = 500  # at 20 m/s2 a nose falls through any sensor's range by then (H10)
RPM_PER_MS = 100  # no engine or shaft changes its speed faster (R1)

# States of a latch.
REST = 0
PEAK = 1
HOLD = 2
RELEASE = 3
KEPT = 4
FAULT_RELEASE = 5

# Where the hold starts (L3).
FROM_PEAK = 0
FROM_LANDING = 1

# Second axis of the maps (P1) and where the speed comes from (P2).
BY_SPEED = 0
BY_TIME = 1
CAR_SPEED = 0
FRONT_WHEEL_SPEED = 1

# What a curve request does after its last point (R1).
HOLD_LAST = 0
STOP = 1

# Reasons: who set the reduction. 1 to 15 are the controller's own, 16 to 255 the outside request's.
REASON_NONE = 0
REASON_LIFT = 1
REASON_OUT_OF_SIGHT = 2
REASON_KEPT = 3
REASON_BLIND = 4
REASON_ENGINE = 5
REASON_SHAFT = 6
REASON_SAFE = 7  # of what acts, never of a step: the inputs stopped coming (W3)
REASON_OUTSIDE_FIRST = 16
REASON_OUTSIDE_LAST = 255

# Askers: who asks for a reduction or a retard at this tick.
ASKER_LIFT = 1
ASKER_BLIND = 2
ASKER_ENGINE = 4
ASKER_SHAFT = 8
ASKER_OUTSIDE = 16

# Fault bits of the outputs.
FAULT_UNUSED = 1  # the latest sample was not used (H3)
FAULT_SENSOR = 2  # too many samples not used (H4)
FAULT_FALL = 4  # a fall larger than the allowance while torque was taken (H3, H6)
FAULT_STUCK = 8  # the reading does not move although the car does (H8)
FAULT_OUT_OF_SIGHT = 16  # the nose is beyond the sensor's range (H5)
FAULT_AT_LAUNCH = 32  # a fault was present at launch (H6)
FAULT_ACQUIRING = 64  # no sample accepted since power-up (H4)
FAULT_SPEED = 128  # no valid speed (P3)
FAULT_TICK = 256  # the tick number was not the last plus one
FAULT_INPUT = 512  # an input outside its legal range was cut to it
FAULT_NO_IMAGE = 1024  # no calibration image is active

# What a cylinder event says (C1).
FUEL_OFF = 1
SPARK_OFF = 2

# Why an image is refused.
IMAGE_OK = 0
IMAGE_MAGIC = 1
IMAGE_VERSION_OTHER = 2
IMAGE_LENGTH = 3
IMAGE_CRC = 4
IMAGE_RANGE = 5
IMAGE_ORDER = 6
