/* Formats, limits, states, reasons and bits of the controller: the one place that names a number.
 *
 * Units inside the controller:
 *
 *     height, lift        1/16 mm             signed, saturated at +-LL_LIFT_LIMIT
 *     speed               0.1 km/h            0..LL_SPEED_LIMIT
 *     engine, shaft       rpm                 0..LL_ROTATION_LIMIT
 *     reduction           0.1 % of the cylinder events, 0..LL_FULL
 *     retard              0.1 degree of crank 0..LL_FULL
 *     ramps               Q16: 1/65536 of the unit they carry
 *     progress            Q12 while it is limited
 *
 * Every intermediate value stays below 2**30, so that it fits an int32_t.
 */
#ifndef LL_CONSTANTS_H
#define LL_CONSTANTS_H

enum {
    LL_IMAGE_VERSION = 1,
    LL_IMAGE_BYTES = 1624, /* length of a calibration image, header included */
    LL_HEADER_BYTES = 12
};

/* Largest legal values of the signals. */
enum {
    LL_LIFT_LIMIT = 32767,
    LL_SPEED_LIMIT = 20000,
    LL_ROTATION_LIMIT = 32767,
    LL_COUNTS_LIMIT = 65535,
    LL_ELAPSED_LIMIT = 65535,
    LL_TICK_NUMBER_MASK = 0xFFFF,
    LL_FULL = 1000
};

/* Sizes of the fixed arrays. */
enum {
    LL_SENSOR_POINTS = 8,
    LL_AXIS_POINTS = 16,
    LL_MAP_CELLS = LL_AXIS_POINTS * LL_AXIS_POINTS,
    LL_CURVE_POINTS = 16,
    LL_LINE_POINTS = 8,
    LL_CYLINDERS = 12,
    LL_TREND_SAMPLES = 32,
    LL_LOOKBACK_SLOTS = 16,
    LL_MEDIAN_SAMPLES = 5
};

/* Ranges that keep products inside 30 bits; the image check enforces them. */
enum {
    LL_WAIT_LIMIT = 8192,
    LL_ALLOWANCE_LIMIT = 65534,
    LL_LIFT_SPEED_LIMIT = 100000, /* mm/s */
    LL_EVENT_WRAPS = 16
};

/* States of a latch. */
enum {
    LL_REST = 0,
    LL_PEAK = 1,
    LL_HOLD = 2,
    LL_RELEASE = 3,
    LL_KEPT = 4,
    LL_FAULT_RELEASE = 5
};

/* Where the hold starts (L3). */
enum { LL_FROM_PEAK = 0, LL_FROM_LANDING = 1 };

/* Second axis of the maps (P1) and where the speed comes from (P2). */
enum { LL_BY_SPEED = 0, LL_BY_TIME = 1 };
enum { LL_CAR_SPEED = 0, LL_FRONT_WHEEL_SPEED = 1 };

/* What a curve request does after its last point (R1). */
enum { LL_HOLD_LAST = 0, LL_STOP = 1 };

/* Reasons: who set the reduction. 1 to 15 are the controller's own, 16 to 255 the outside request's. */
enum {
    LL_REASON_NONE = 0,
    LL_REASON_LIFT = 1,
    LL_REASON_OUT_OF_SIGHT = 2,
    LL_REASON_KEPT = 3,
    LL_REASON_BLIND = 4,
    LL_REASON_ENGINE = 5,
    LL_REASON_SHAFT = 6,
    LL_REASON_OUTSIDE_FIRST = 16,
    LL_REASON_OUTSIDE_LAST = 255
};

/* Askers: who asks for a reduction or a retard at this tick. */
enum {
    LL_ASKER_LIFT = 1,
    LL_ASKER_BLIND = 2,
    LL_ASKER_ENGINE = 4,
    LL_ASKER_SHAFT = 8,
    LL_ASKER_OUTSIDE = 16
};

/* Fault bits of the outputs. */
enum {
    LL_FAULT_UNUSED = 1,        /* the latest sample was not used (H3) */
    LL_FAULT_SENSOR = 2,        /* too many samples not used (H4) */
    LL_FAULT_FALL = 4,          /* a fall larger than the allowance while torque was taken (H3, H6) */
    LL_FAULT_STUCK = 8,         /* the reading does not move although the car does (H8) */
    LL_FAULT_OUT_OF_SIGHT = 16, /* the nose is beyond the sensor's range (H5) */
    LL_FAULT_AT_LAUNCH = 32,    /* a fault was present at launch (H6) */
    LL_FAULT_ACQUIRING = 64,    /* no sample accepted since power-up (H4) */
    LL_FAULT_SPEED = 128,       /* no valid speed (P3) */
    LL_FAULT_TICK = 256,        /* the tick number was not the last plus one */
    LL_FAULT_INPUT = 512,       /* an input outside its legal range was cut to it */
    LL_FAULT_NO_IMAGE = 1024    /* no calibration image is active */
};

/* What a cylinder event says (C1). */
enum { LL_FUEL_OFF = 1, LL_SPARK_OFF = 2 };

/* Why an image is refused. */
enum {
    LL_IMAGE_OK = 0,
    LL_IMAGE_MAGIC = 1,
    LL_IMAGE_VERSION_OTHER = 2,
    LL_IMAGE_LENGTH = 3,
    LL_IMAGE_CRC = 4,
    LL_IMAGE_RANGE = 5,
    LL_IMAGE_ORDER = 6,
    LL_IMAGE_PLACE = 7 /* only here: a sound image that this machine cannot read where it lies */
};

#endif
