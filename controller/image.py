"""The calibration image: one packed little-endian block that the controller and a device run from.

    offset  size  what
    0       4     the letters LLCI
    4       2     format version
    6       2     length of the whole image in bytes
    8       4     CRC-32/ISO-HDLC over the bytes from 12 to the end
    12      ...   the fields below, in order, without gaps

Codes as in Python's struct: I unsigned 32 bit, H unsigned 16 bit, h signed 16 bit. The 32-bit fields
come first, so that every field lies on its natural boundary.
"""

from .constants import (
    AXIS_POINTS,
    BY_TIME,
    COUNTS_LIMIT,
    CURVE_POINTS,
    CYLINDERS,
    ELAPSED_LIMIT,
    FROM_LANDING,
    FRONT_WHEEL_SPEED,
    FULL,
    IMAGE_CRC,
    IMAGE_LENGTH,
    IMAGE_MAGIC,
    IMAGE_OK,
    IMAGE_ORDER,
    IMAGE_RANGE,
    IMAGE_VERSION,
    IMAGE_VERSION_OTHER,
    LIFT_LIMIT,
    LINE_POINTS,
    MAP_CELLS,
    ROTATION_LIMIT,
    SENSOR_POINTS,
    SPEED_LIMIT,
    STOP,
    WAIT_LIMIT,
)
from .fixed import crc32

MAGIC = b"LLCI"
HEADER_BYTES = 12

_FULL_Q16 = FULL << 16
_STEP_Q16 = 100 << 16  # a fault never gives back more than a tenth of all torque in one tick (H6)
_PROGRESS_Q12 = ELAPSED_LIMIT << 12
_TICKS = 1200000  # ten minutes of the shortest tick

# name, code, count, least, greatest
FIELDS = (
    # 32 bit
    ("gain_q12", "I", 1, 1, 65536),
    ("learn_window", "I", 1, 0, 65536),
    ("look_speed_q12", "I", 1, 1, 512000),  # mm/s for each 1/16 mm a sample
    ("progress_up_q12", "I", 1, 1, _PROGRESS_Q12),
    ("progress_down_q12", "I", 1, 1, _PROGRESS_Q12),
    ("hold_ticks", "I", 1, 0, _TICKS),
    ("release_q16", "I", 1, 0, _FULL_Q16),
    ("retard_release_q16", "I", 1, 0, _FULL_Q16),
    ("fault_hold_ticks", "I", 1, 0, _TICKS),
    ("fault_release_q16", "I", 1, 1, _STEP_Q16),
    ("fault_retard_release_q16", "I", 1, 1, _STEP_Q16),
    ("blind_growth_q16", "I", 1, 1, _FULL_Q16),
    ("engine_release_q16", "I", 1, 0, _FULL_Q16),
    ("engine_retard_release_q16", "I", 1, 0, _FULL_Q16),
    ("shaft_release_q16", "I", 1, 0, _FULL_Q16),
    ("shaft_retard_release_q16", "I", 1, 0, _FULL_Q16),
    # tick
    ("tick_us", "H", 1, 500, 10000),
    # sensor: counts, height, use of a sample (H1, H3 to H5, H10, H11)
    ("adc_max", "H", 1, 1, COUNTS_LIMIT),
    ("window_low", "H", 1, 0, COUNTS_LIMIT),
    ("window_high", "H", 1, 0, COUNTS_LIMIT),
    ("sensor_points", "H", 1, 2, SENSOR_POINTS),
    ("sensor_counts", "H", SENSOR_POINTS, 0, COUNTS_LIMIT),
    ("sensor_height", "h", SENSOR_POINTS, -LIFT_LIMIT, LIFT_LIMIT),
    ("sample_ticks", "H", 1, 1, 1000),
    ("allowance", "H", 1, 1, LIFT_LIMIT),
    ("allowance_rate", "H", 1, 1, LIFT_LIMIT),
    ("confirm_samples", "H", 1, 1, WAIT_LIMIT),
    ("heal_samples", "H", 1, 1, WAIT_LIMIT),
    ("agree_samples", "H", 1, 2, 16),
    ("near_end", "H", 1, 1, LIFT_LIMIT),
    ("return_samples", "H", 1, 1, WAIT_LIMIT),  # (H10, H11)
    # stuck reading (H8)
    ("stuck_band", "H", 1, 0, LIFT_LIMIT),
    ("stuck_samples", "H", 1, 0, 65535),
    ("stuck_speed", "H", 1, 0, SPEED_LIMIT),
    # lift (H2, H7, H9)
    ("rest", "h", 1, -LIFT_LIMIT, LIFT_LIMIT),
    ("learn_spread", "H", 1, 0, 16383),
    ("learn_tolerance", "H", 1, 0, 16383),
    ("median_samples", "H", 1, 1, 5),
    ("lowpass_q12", "H", 1, 1, 4096),
    ("look_rising_q12", "H", 1, 0, 26214),  # 400 ms: 1/16 mm ahead for each mm/s
    ("look_falling_q12", "H", 1, 0, 26214),
    ("look_lowpass_q12", "H", 1, 1, 4096),
    ("look_from", "h", 1, -LIFT_LIMIT, LIFT_LIMIT),
    # progress (P1 to P3)
    ("progress_axis_kind", "H", 1, 0, BY_TIME),
    ("speed_source", "H", 1, 0, FRONT_WHEEL_SPEED),
    ("speed_step", "H", 1, 1, SPEED_LIMIT),
    ("run_points", "H", 1, 1, CURVE_POINTS),
    ("run_ms", "H", CURVE_POINTS, 0, ELAPSED_LIMIT),
    ("run_speed", "H", CURVE_POINTS, 0, SPEED_LIMIT),
    ("air_lift", "h", 1, -LIFT_LIMIT, LIFT_LIMIT),
    ("air_hysteresis", "H", 1, 0, LIFT_LIMIT),
    ("spin_up_ticks", "H", 1, 0, 65535),
    ("lookback_ticks", "H", 1, 1, 1000),  # of one of the LOOKBACK_SLOTS
    # maps (M1); cells by lift, then progress, a row of AXIS_POINTS for each lift
    ("lift_points", "H", 1, 1, AXIS_POINTS),
    ("lift_axis", "h", AXIS_POINTS, -LIFT_LIMIT, LIFT_LIMIT),
    ("progress_points", "H", 1, 1, AXIS_POINTS),
    ("progress_axis", "H", AXIS_POINTS, 0, ELAPSED_LIMIT),
    ("reduction_map", "H", MAP_CELLS, 0, FULL),
    ("retard_map", "H", MAP_CELLS, 0, FULL),
    # latch (L1 to L8)
    ("trigger", "H", 1, 0, FULL),
    ("trigger_hysteresis", "H", 1, 0, FULL),
    ("hold_from", "H", 1, 0, FROM_LANDING),
    ("retard_follows", "H", 1, 0, 1),
    ("retard_trigger", "H", 1, 0, FULL),
    ("retard_trigger_hysteresis", "H", 1, 0, FULL),
    ("disarm_ticks", "H", 1, 1, 65535),
    # a fault with no reduction on (H6)
    ("blind_reduction", "H", 1, 0, FULL),
    ("blind_until_ms", "H", 1, 0, ELAPSED_LIMIT),
    # curve requests (R1); 0 points: none
    ("engine_points", "H", 1, 0, CURVE_POINTS),
    ("engine_ms", "H", CURVE_POINTS, 0, ELAPSED_LIMIT),
    ("engine_rpm", "H", CURVE_POINTS, 0, ROTATION_LIMIT),
    ("engine_after_end", "H", 1, 0, STOP),
    ("engine_before_launch", "H", 1, 0, 1),
    ("engine_hysteresis", "H", 1, 0, ROTATION_LIMIT),
    ("engine_line_points", "H", 1, 1, LINE_POINTS),
    ("engine_over_rpm", "H", LINE_POINTS, 0, ROTATION_LIMIT),
    ("engine_reduction", "H", LINE_POINTS, 0, FULL),
    ("engine_retard", "H", LINE_POINTS, 0, FULL),
    ("shaft_points", "H", 1, 0, CURVE_POINTS),
    ("shaft_ms", "H", CURVE_POINTS, 0, ELAPSED_LIMIT),
    ("shaft_rpm", "H", CURVE_POINTS, 0, ROTATION_LIMIT),
    ("shaft_after_end", "H", 1, 0, STOP),
    ("shaft_hysteresis", "H", 1, 0, ROTATION_LIMIT),
    ("shaft_line_points", "H", 1, 1, LINE_POINTS),
    ("shaft_over_rpm", "H", LINE_POINTS, 0, ROTATION_LIMIT),
    ("shaft_reduction", "H", LINE_POINTS, 0, FULL),
    ("shaft_retard", "H", LINE_POINTS, 0, FULL),
    # limits of the command (R4)
    ("reduction_limit", "H", 1, 0, FULL),
    ("retard_limit", "H", 1, 0, FULL),
    # cylinder events (C1)
    ("cylinders", "H", 1, 1, CYLINDERS),
    ("firing_order", "H", CYLINDERS, 0, CYLINDERS),
    ("event_bits", "H", 1, 1, 3),
    # what a device does whose inputs stop; the controller itself knows nothing of it
    ("stall_ms", "H", 1, 0, 65535),  # 0 off
    ("safe_reduction", "H", 1, 0, FULL),
    ("safe_retard", "H", 1, 0, FULL),
)


def _bytes_of(code: str) -> int:
    return 4 if code == "I" else 2


def _length() -> int:
    total = HEADER_BYTES
    for field in FIELDS:
        total += _bytes_of(field[1]) * field[2]
    return total


LENGTH = _length()


class Calibration:
    """The values of one image, an attribute for each field; arrays are lists of their full length."""

    gain_q12: int
    learn_window: int
    look_speed_q12: int
    progress_up_q12: int
    progress_down_q12: int
    hold_ticks: int
    release_q16: int
    retard_release_q16: int
    fault_hold_ticks: int
    fault_release_q16: int
    fault_retard_release_q16: int
    blind_growth_q16: int
    engine_release_q16: int
    engine_retard_release_q16: int
    shaft_release_q16: int
    shaft_retard_release_q16: int
    tick_us: int
    adc_max: int
    window_low: int
    window_high: int
    sensor_points: int
    sensor_counts: list[int]
    sensor_height: list[int]
    sample_ticks: int
    allowance: int
    allowance_rate: int
    confirm_samples: int
    heal_samples: int
    agree_samples: int
    near_end: int
    return_samples: int
    stuck_band: int
    stuck_samples: int
    stuck_speed: int
    rest: int
    learn_spread: int
    learn_tolerance: int
    median_samples: int
    lowpass_q12: int
    look_rising_q12: int
    look_falling_q12: int
    look_lowpass_q12: int
    look_from: int
    progress_axis_kind: int
    speed_source: int
    speed_step: int
    run_points: int
    run_ms: list[int]
    run_speed: list[int]
    air_lift: int
    air_hysteresis: int
    spin_up_ticks: int
    lookback_ticks: int
    lift_points: int
    lift_axis: list[int]
    progress_points: int
    progress_axis: list[int]
    reduction_map: list[int]
    retard_map: list[int]
    trigger: int
    trigger_hysteresis: int
    hold_from: int
    retard_follows: int
    retard_trigger: int
    retard_trigger_hysteresis: int
    disarm_ticks: int
    blind_reduction: int
    blind_until_ms: int
    engine_points: int
    engine_ms: list[int]
    engine_rpm: list[int]
    engine_after_end: int
    engine_before_launch: int
    engine_hysteresis: int
    engine_line_points: int
    engine_over_rpm: list[int]
    engine_reduction: list[int]
    engine_retard: list[int]
    shaft_points: int
    shaft_ms: list[int]
    shaft_rpm: list[int]
    shaft_after_end: int
    shaft_hysteresis: int
    shaft_line_points: int
    shaft_over_rpm: list[int]
    shaft_reduction: list[int]
    shaft_retard: list[int]
    reduction_limit: int
    retard_limit: int
    cylinders: int
    firing_order: list[int]
    event_bits: int
    stall_ms: int
    safe_reduction: int
    safe_retard: int


def _number(image: bytes, at: int, size: int) -> int:
    value = 0
    for i in range(size):
        value |= image[at + i] << (8 * i)
    return value


def image_crc(image: bytes) -> int:
    """CRC-32/ISO-HDLC of the image from the first field to its end."""
    crc = 0xFFFFFFFF
    for i in range(HEADER_BYTES, len(image)):
        crc = crc32(crc, image[i])
    return crc ^ 0xFFFFFFFF


def _rises(values: list[int], points: int) -> bool:
    for i in range(1, points):
        if values[i] <= values[i - 1]:
            return False
    return True


def _falls(values: list[int], points: int) -> bool:
    for i in range(1, points):
        if values[i] >= values[i - 1]:
            return False
    return True


def _is_order(order: list[int], cylinders: int) -> bool:
    """Whether each cylinder from 1 on fires once."""
    for cylinder in range(1, cylinders + 1):
        found = 0
        for i in range(cylinders):
            if order[i] == cylinder:
                found += 1
        if found != 1:
            return False
    return True


def _in_order(c: Calibration) -> bool:
    """What no field's own range can say: axes rise, parts fit each other."""
    height = c.sensor_height
    last = c.sensor_points - 1
    low = min(height[0], height[last])
    high = max(height[0], height[last])
    return (
        c.window_low < c.window_high <= c.adc_max
        and _rises(c.sensor_counts, c.sensor_points)
        and c.sensor_counts[last] <= c.adc_max
        and (_rises(height, c.sensor_points) or _falls(height, c.sensor_points))
        and high - low <= LIFT_LIMIT
        and low <= c.rest <= high
        and c.near_end < high - low
        and c.median_samples & 1 == 1
        and _rises(c.run_ms, c.run_points)
        and _rises(c.lift_axis, c.lift_points)
        and _rises(c.progress_axis, c.progress_points)
        and c.fault_hold_ticks >= c.hold_ticks
        and _rises(c.engine_ms, c.engine_points)
        and _rises(c.engine_over_rpm, c.engine_line_points)
        and _rises(c.shaft_ms, c.shaft_points)
        and _rises(c.shaft_over_rpm, c.shaft_line_points)
        and _is_order(c.firing_order, c.cylinders)
    )


def blank(into: Calibration) -> None:
    """Fill a calibration with the least legal values, so that a controller without an image exists."""
    for field in FIELDS:
        value = max(field[3], 0)
        setattr(into, field[0], value if field[2] == 1 else [value] * field[2])


def read(image: bytes, into: Calibration) -> int:
    """Fill a calibration from an image and return IMAGE_OK, or why the image is refused.

    On refusal what was filled in is not to be used. Checked in this order: letters, version, length,
    CRC, range of each field, order of the parts.
    """
    if len(image) < HEADER_BYTES or image[0:4] != MAGIC:
        return IMAGE_MAGIC
    if _number(image, 4, 2) != IMAGE_VERSION:
        return IMAGE_VERSION_OTHER
    if _number(image, 6, 2) != LENGTH or len(image) != LENGTH:
        return IMAGE_LENGTH
    if _number(image, 8, 4) != image_crc(image):
        return IMAGE_CRC
    at = HEADER_BYTES
    for name, code, count, least, greatest in FIELDS:
        size = _bytes_of(code)
        values = [0] * count
        for i in range(count):
            value = _number(image, at, size)
            if code == "h" and value > 32767:
                value -= 65536
            if value < least or value > greatest:
                return IMAGE_RANGE
            values[i] = value
            at += size
        setattr(into, name, values[0] if count == 1 else values)
    return IMAGE_OK if _in_order(into) else IMAGE_ORDER
