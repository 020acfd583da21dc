/* Formats, limits, states, reasons and bits of the controller: the one place that names a number.
 *
 * Units inside the controller:
 *
 *     height, lift        1/16 mm             signed, saturated at +-LIFT_LIFT_LIMIT
 *     speed               0.1 km/h            0..LIFT_SPEED_LIMIT
 *     engine, shaft       rpm                 0..LIFT_ROTATION_LIMIT
 *     reduction           0.1 % of the cylinder events, 0..LIFT_FULL
 *     retard              0.1 degree of crank 0..LIFT_FULL
 *     ramps               Q16: 1/65536 of the unit they carry
 *     progress            Q12 while it is limited
 *
 * Every intermediate value stays below 2**30, so that it fits an int32_t.
 */
#ifndef LIFT_CONSTANTS_H
#define LIFT_CONSTANTS_H

#include <stdint.h>

/* Version of the core's interface: 10000 times the first number, 100 times the second, the third. It is the
 * project's; a build that needs another says #if LIFT_VERSION < 200. */
#define LIFT_VERSION 100

enum {
    LIFT_IMAGE_VERSION = 2,
    LIFT_IMAGE_BYTES = 1628, /* length of a calibration image, header included */
    LIFT_HEADER_BYTES = 12
};

/* Largest legal values of the signals. */
enum {
    LIFT_LIFT_LIMIT = 32767,
    LIFT_SPEED_LIMIT = 20000,
    LIFT_ROTATION_LIMIT = 32767,
    LIFT_FULL = 1000
};

/* Those of more than 15 bits are macros: an enumerator is an int, which may have 16 bits. */
#define LIFT_COUNTS_LIMIT INT32_C(65535)
#define LIFT_ELAPSED_LIMIT INT32_C(65535)
#define LIFT_TICK_NUMBER_MASK INT32_C(0xFFFF)
#define LIFT_ALLOWANCE_LIMIT INT32_C(65534)
#define LIFT_LIFT_SPEED_LIMIT INT32_C(100000) /* mm/s */

/* Sizes of the fixed arrays. */
enum {
    LIFT_SENSOR_POINTS = 8,
    LIFT_AXIS_POINTS = 16,
    LIFT_MAP_CELLS = LIFT_AXIS_POINTS * LIFT_AXIS_POINTS,
    LIFT_CURVE_POINTS = 16,
    LIFT_LINE_POINTS = 8,
    LIFT_CYLINDERS = 12,
    LIFT_TREND_SAMPLES = 32,
    LIFT_LOOKBACK_SLOTS = 16,
    LIFT_MEDIAN_SAMPLES = 5
};

/* Ranges that keep products inside 30 bits; the image check enforces them. */
enum {
    LIFT_WAIT_LIMIT = 8192,
    LIFT_EVENT_WRAPS = 16
};

/* What no tuner could choose, each with its reason. */
enum {
    LIFT_FALL_US = 20000,        /* after longer than this unseen a nose could be anywhere (H3) */
    LIFT_RETURN_BELOW = 45 * 16, /* tyres and springs let no nose lower than this (H10) */
    LIFT_RETURN_ABOVE = 90 * 16, /* droop and a little: the wheels are back on the ground (H10) */
    LIFT_RETURN_SPREAD = 8,      /* 0.5 mm: a nose on a moving car wanders by more, a frozen one not (H10) */
    LIFT_RETURN_COUNTS = 2,      /* what a frozen reading may still wander by in the converter (H10) */
    LIFT_RETURN_LONGER = 3,      /* so many times the samples where no nose could have got (H10) */
    LIFT_NOSE_MS = 500,          /* at 20 m/s2 a nose falls through any sensor's range by then (H10) */
    LIFT_RPM_PER_MS = 100        /* no engine or shaft changes its speed faster (R1) */
};

/* States of a latch. */
enum {
    LIFT_REST = 0,
    LIFT_PEAK = 1,
    LIFT_HOLD = 2,
    LIFT_RELEASE = 3,
    LIFT_KEPT = 4,
    LIFT_FAULT_RELEASE = 5
};

/* Where the hold starts (L3). */
enum { LIFT_FROM_PEAK = 0, LIFT_FROM_LANDING = 1 };

/* Second axis of the maps (P1) and where the speed comes from (P2). */
enum { LIFT_BY_SPEED = 0, LIFT_BY_TIME = 1 };
enum { LIFT_CAR_SPEED = 0, LIFT_FRONT_WHEEL_SPEED = 1 };

/* What a curve request does after its last point (R1). */
enum { LIFT_HOLD_LAST = 0, LIFT_STOP = 1 };

/* Reasons: who set the reduction. 1 to 15 are the controller's own, 16 to 255 the outside request's. */
enum {
    LIFT_REASON_NONE = 0,
    LIFT_REASON_LIFT = 1,
    LIFT_REASON_OUT_OF_SIGHT = 2,
    LIFT_REASON_KEPT = 3,
    LIFT_REASON_BLIND = 4,
    LIFT_REASON_ENGINE = 5,
    LIFT_REASON_SHAFT = 6,
    LIFT_REASON_SAFE = 7, /* of what acts, never of a step: the inputs stopped coming (W3) */
    LIFT_REASON_OUTSIDE_FIRST = 16,
    LIFT_REASON_OUTSIDE_LAST = 255
};

/* Askers: who asks for a reduction or a retard at this tick. */
enum {
    LIFT_ASKER_LIFT = 1,
    LIFT_ASKER_BLIND = 2,
    LIFT_ASKER_ENGINE = 4,
    LIFT_ASKER_SHAFT = 8,
    LIFT_ASKER_OUTSIDE = 16
};

/* Fault bits of the outputs. */
enum {
    LIFT_FAULT_UNUSED = 1,        /* the latest sample was not used (H3) */
    LIFT_FAULT_SENSOR = 2,        /* too many samples not used (H4) */
    LIFT_FAULT_FALL = 4,          /* a fall larger than the allowance while torque was taken (H3, H6) */
    LIFT_FAULT_STUCK = 8,         /* the reading does not move although the car does (H8) */
    LIFT_FAULT_OUT_OF_SIGHT = 16, /* the nose is beyond the sensor's range (H5) */
    LIFT_FAULT_AT_LAUNCH = 32,    /* a fault was present at launch (H6) */
    LIFT_FAULT_ACQUIRING = 64,    /* no sample accepted since power-up (H4) */
    LIFT_FAULT_SPEED = 128,       /* no valid speed (P3) */
    LIFT_FAULT_TICK = 256,        /* the tick number was not the last plus one */
    LIFT_FAULT_INPUT = 512,       /* an input outside its legal range was cut to it */
    LIFT_FAULT_NO_IMAGE = 1024    /* no calibration image is active */
};

/* What a cylinder event says (C1). */
enum { LIFT_FUEL_OFF = 1, LIFT_SPARK_OFF = 2 };

/* Why an image is refused. */
enum {
    LIFT_IMAGE_OK = 0,
    LIFT_IMAGE_MAGIC = 1,
    LIFT_IMAGE_VERSION_OTHER = 2,
    LIFT_IMAGE_LENGTH = 3,
    LIFT_IMAGE_CRC = 4,
    LIFT_IMAGE_RANGE = 5,
    LIFT_IMAGE_ORDER = 6,
    LIFT_IMAGE_PLACE = 7 /* only here: a sound image that this machine cannot read where it lies */
};

#endif
