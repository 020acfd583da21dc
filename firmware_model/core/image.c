/* The calibration image: see image.h. */
#include "image.h"

#include "fixed.h"

/* The image is read in place: the struct must be the block, byte for byte. */
typedef char lift_image_has_no_gaps
    [offsetof(lift_image_t, gain_q12) == LIFT_HEADER_BYTES &&
     offsetof(lift_image_t, safe_retard) + sizeof(uint16_t) == LIFT_IMAGE_BYTES ? 1 : -1];

/* What the whole core takes for granted of the machine. */
typedef char lift_int_has_32_bits[sizeof(int) >= 4 ? 1 : -1];
typedef char lift_numbers_are_twos_complement[(-1 & 3) == 3 ? 1 : -1];

#define FULL_Q16 (LIFT_FULL << 16)
#define STEP_Q16 (100 << 16) /* a fault never gives back more than a tenth of all torque in one tick (H6) */
#define PROGRESS_Q12 (LIFT_ELAPSED_LIMIT << 12)
#define TICKS 1200000 /* ten minutes of the shortest tick */

/* One field: bytes of a value (WORD, HALF, or SIGNED for two with a sign), how many, legal range. */
enum { HALF = 2, WORD = 4, SIGNED = -2 };

typedef struct {
    int16_t code;
    int16_t count;
    int32_t least;
    int32_t greatest;
} field_t;

static const field_t FIELDS[] = {
    /* 32 bit */
    {WORD, 1, 1, 65536},                                        /* gain_q12 */
    {WORD, 1, 0, 65536},                                        /* learn_window */
    {WORD, 1, 1, 512000},                                       /* look_speed_q12 */
    {WORD, 1, 1, PROGRESS_Q12},                                 /* progress_up_q12 */
    {WORD, 1, 1, PROGRESS_Q12},                                 /* progress_down_q12 */
    {WORD, 1, 0, TICKS},                                        /* hold_ticks */
    {WORD, 1, 0, FULL_Q16},                                     /* release_q16 */
    {WORD, 1, 0, FULL_Q16},                                     /* retard_release_q16 */
    {WORD, 1, 0, TICKS},                                        /* fault_hold_ticks */
    {WORD, 1, 1, STEP_Q16},                                     /* fault_release_q16 */
    {WORD, 1, 1, STEP_Q16},                                     /* fault_retard_release_q16 */
    {WORD, 1, 1, FULL_Q16},                                     /* blind_growth_q16 */
    {WORD, 1, 0, FULL_Q16},                                     /* engine_release_q16 */
    {WORD, 1, 0, FULL_Q16},                                     /* engine_retard_release_q16 */
    {WORD, 1, 0, FULL_Q16},                                     /* shaft_release_q16 */
    {WORD, 1, 0, FULL_Q16},                                     /* shaft_retard_release_q16 */
    /* tick */
    {HALF, 1, 500, 10000},                                      /* tick_us */
    /* sensor: counts, height, use of a sample (H1, H3, H4, H5) */
    {HALF, 1, 1, LIFT_COUNTS_LIMIT},                              /* adc_max */
    {HALF, 1, 0, LIFT_COUNTS_LIMIT},                              /* window_low */
    {HALF, 1, 0, LIFT_COUNTS_LIMIT},                              /* window_high */
    {HALF, 1, 2, LIFT_SENSOR_POINTS},                             /* sensor_points */
    {HALF, LIFT_SENSOR_POINTS, 0, LIFT_COUNTS_LIMIT},               /* sensor_counts */
    {SIGNED, LIFT_SENSOR_POINTS, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT},  /* sensor_height */
    {HALF, 1, 1, 1000},                                         /* sample_ticks */
    {HALF, 1, 1, LIFT_LIFT_LIMIT},                                /* allowance */
    {HALF, 1, 1, LIFT_LIFT_LIMIT},                                /* allowance_rate */
    {HALF, 1, 1, LIFT_WAIT_LIMIT},                                /* confirm_samples */
    {HALF, 1, 1, LIFT_WAIT_LIMIT},                                /* heal_samples */
    {HALF, 1, 2, 16},                                           /* agree_samples */
    {HALF, 1, 1, LIFT_LIFT_LIMIT},                                /* near_end */
    /* stuck reading (H8) */
    {HALF, 1, 0, LIFT_LIFT_LIMIT},                                /* stuck_band */
    {HALF, 1, 0, 65535},                                        /* stuck_samples */
    {HALF, 1, 0, LIFT_SPEED_LIMIT},                               /* stuck_speed */
    /* lift (H2, H7, H9) */
    {SIGNED, 1, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT},                 /* rest */
    {HALF, 1, 0, 16383},                                        /* learn_spread */
    {HALF, 1, 0, 16383},                                        /* learn_tolerance */
    {HALF, 1, 1, 5},                                            /* median_samples */
    {HALF, 1, 1, 4096},                                         /* lowpass_q12 */
    {HALF, 1, 0, 26214},                                        /* look_rising_q12 */
    {HALF, 1, 0, 26214},                                        /* look_falling_q12 */
    {HALF, 1, 1, 4096},                                         /* look_lowpass_q12 */
    /* progress (P1 to P3) */
    {HALF, 1, 0, LIFT_BY_TIME},                                   /* progress_axis_kind */
    {HALF, 1, 0, LIFT_FRONT_WHEEL_SPEED},                         /* speed_source */
    {HALF, 1, 1, LIFT_SPEED_LIMIT},                               /* speed_step */
    {HALF, 1, 1, LIFT_CURVE_POINTS},                              /* run_points */
    {HALF, LIFT_CURVE_POINTS, 0, LIFT_ELAPSED_LIMIT},               /* run_ms */
    {HALF, LIFT_CURVE_POINTS, 0, LIFT_SPEED_LIMIT},                 /* run_speed */
    {SIGNED, 1, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT},                 /* air_lift */
    {HALF, 1, 0, LIFT_LIFT_LIMIT},                                /* air_hysteresis */
    {HALF, 1, 0, 65535},                                        /* spin_up_ticks */
    {HALF, 1, 1, 1000},                                         /* lookback_ticks */
    /* maps (M1); cells by lift, then progress, a row of LIFT_AXIS_POINTS for each lift */
    {HALF, 1, 1, LIFT_AXIS_POINTS},                               /* lift_points */
    {SIGNED, LIFT_AXIS_POINTS, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT},    /* lift_axis */
    {HALF, 1, 1, LIFT_AXIS_POINTS},                               /* progress_points */
    {HALF, LIFT_AXIS_POINTS, 0, LIFT_ELAPSED_LIMIT},                /* progress_axis */
    {HALF, LIFT_MAP_CELLS, 0, LIFT_FULL},                           /* reduction_map */
    {HALF, LIFT_MAP_CELLS, 0, LIFT_FULL},                           /* retard_map */
    /* latch (L1 to L8) */
    {HALF, 1, 0, LIFT_FULL},                                      /* trigger */
    {HALF, 1, 0, LIFT_FULL},                                      /* trigger_hysteresis */
    {HALF, 1, 0, LIFT_FROM_LANDING},                              /* hold_from */
    {HALF, 1, 0, 1},                                            /* retard_follows */
    {HALF, 1, 0, LIFT_FULL},                                      /* retard_trigger */
    {HALF, 1, 0, LIFT_FULL},                                      /* retard_trigger_hysteresis */
    {HALF, 1, 1, 65535},                                        /* disarm_ticks */
    /* a fault with no reduction on (H6) */
    {HALF, 1, 0, LIFT_FULL},                                      /* blind_reduction */
    {HALF, 1, 0, LIFT_ELAPSED_LIMIT},                             /* blind_until_ms */
    /* curve requests (R1); 0 points: none */
    {HALF, 1, 0, LIFT_CURVE_POINTS},                              /* engine_points */
    {HALF, LIFT_CURVE_POINTS, 0, LIFT_ELAPSED_LIMIT},               /* engine_ms */
    {HALF, LIFT_CURVE_POINTS, 0, LIFT_ROTATION_LIMIT},              /* engine_rpm */
    {HALF, 1, 0, LIFT_STOP},                                      /* engine_after_end */
    {HALF, 1, 0, 1},                                            /* engine_before_launch */
    {HALF, 1, 0, LIFT_ROTATION_LIMIT},                            /* engine_hysteresis */
    {HALF, 1, 1, LIFT_LINE_POINTS},                               /* engine_line_points */
    {HALF, LIFT_LINE_POINTS, 0, LIFT_ROTATION_LIMIT},               /* engine_over_rpm */
    {HALF, LIFT_LINE_POINTS, 0, LIFT_FULL},                         /* engine_reduction */
    {HALF, LIFT_LINE_POINTS, 0, LIFT_FULL},                         /* engine_retard */
    {HALF, 1, 0, LIFT_CURVE_POINTS},                              /* shaft_points */
    {HALF, LIFT_CURVE_POINTS, 0, LIFT_ELAPSED_LIMIT},               /* shaft_ms */
    {HALF, LIFT_CURVE_POINTS, 0, LIFT_ROTATION_LIMIT},              /* shaft_rpm */
    {HALF, 1, 0, LIFT_STOP},                                      /* shaft_after_end */
    {HALF, 1, 0, LIFT_ROTATION_LIMIT},                            /* shaft_hysteresis */
    {HALF, 1, 1, LIFT_LINE_POINTS},                               /* shaft_line_points */
    {HALF, LIFT_LINE_POINTS, 0, LIFT_ROTATION_LIMIT},               /* shaft_over_rpm */
    {HALF, LIFT_LINE_POINTS, 0, LIFT_FULL},                         /* shaft_reduction */
    {HALF, LIFT_LINE_POINTS, 0, LIFT_FULL},                         /* shaft_retard */
    /* limits of the command (R4) */
    {HALF, 1, 0, LIFT_FULL},                                      /* reduction_limit */
    {HALF, 1, 0, LIFT_FULL},                                      /* retard_limit */
    /* cylinder events (C1) */
    {HALF, 1, 1, LIFT_CYLINDERS},                                 /* cylinders */
    {HALF, LIFT_CYLINDERS, 0, LIFT_CYLINDERS},                      /* firing_order */
    {HALF, 1, 1, 3},                                            /* event_bits */
    /* what a device does whose inputs stop; the controller itself knows nothing of it */
    {HALF, 1, 0, 65535},                                        /* stall_ms */
    {HALF, 1, 0, LIFT_FULL},                                      /* safe_reduction */
    {HALF, 1, 0, LIFT_FULL},                                      /* safe_retard */
};

enum { FIELD_COUNT = sizeof(FIELDS) / sizeof(FIELDS[0]) };

static int32_t bytes_of(int32_t code) {
    return code == WORD ? 4 : 2;
}

static uint32_t number(const uint8_t *image, int32_t at, int32_t size) {
    uint32_t value = 0;
    for (int32_t i = 0; i < size; i++) {
        value |= (uint32_t)image[at + i] << (8 * i);
    }
    return value;
}

uint32_t lift_image_crc(const uint8_t *image, size_t length) {
    uint32_t crc = 0xFFFFFFFFU;
    for (size_t i = LIFT_HEADER_BYTES; i < length; i++) {
        crc = lift_crc32(crc, image[i]);
    }
    return crc ^ 0xFFFFFFFFU;
}

static bool rises(const uint16_t *values, int32_t points) {
    for (int32_t i = 1; i < points; i++) {
        if (values[i] <= values[i - 1]) {
            return false;
        }
    }
    return true;
}

static bool rises_signed(const int16_t *values, int32_t points) {
    for (int32_t i = 1; i < points; i++) {
        if (values[i] <= values[i - 1]) {
            return false;
        }
    }
    return true;
}

static bool falls_signed(const int16_t *values, int32_t points) {
    for (int32_t i = 1; i < points; i++) {
        if (values[i] >= values[i - 1]) {
            return false;
        }
    }
    return true;
}

/* Whether each cylinder from 1 on fires once. */
static bool is_order(const uint16_t *order, int32_t cylinders) {
    for (int32_t cylinder = 1; cylinder <= cylinders; cylinder++) {
        int32_t found = 0;
        for (int32_t i = 0; i < cylinders; i++) {
            if (order[i] == cylinder) {
                found += 1;
            }
        }
        if (found != 1) {
            return false;
        }
    }
    return true;
}

/* What no field's own range can say: axes rise, parts fit each other. */
static bool in_order(const lift_image_t *c) {
    const int16_t *height = c->sensor_height;
    int32_t last = c->sensor_points - 1;
    int32_t low = lift_min(height[0], height[last]);
    int32_t high = lift_max(height[0], height[last]);
    return c->window_low < c->window_high && c->window_high <= c->adc_max &&
           rises(c->sensor_counts, c->sensor_points) &&
           c->sensor_counts[last] <= c->adc_max &&
           (rises_signed(height, c->sensor_points) || falls_signed(height, c->sensor_points)) &&
           high - low <= LIFT_LIFT_LIMIT &&
           low <= c->rest && c->rest <= high &&
           c->near_end < high - low &&
           (c->median_samples & 1) == 1 &&
           rises(c->run_ms, c->run_points) &&
           rises_signed(c->lift_axis, c->lift_points) &&
           rises(c->progress_axis, c->progress_points) &&
           c->fault_hold_ticks >= c->hold_ticks &&
           rises(c->engine_ms, c->engine_points) &&
           rises(c->engine_over_rpm, c->engine_line_points) &&
           rises(c->shaft_ms, c->shaft_points) &&
           rises(c->shaft_over_rpm, c->shaft_line_points) &&
           is_order(c->firing_order, c->cylinders);
}

/* The range of each field, read byte by byte: this works at any place and in any byte order. */
static bool in_range(const uint8_t *image) {
    int32_t at = LIFT_HEADER_BYTES;
    for (int32_t field = 0; field < FIELD_COUNT; field++) {
        const field_t *f = &FIELDS[field];
        int32_t size = bytes_of(f->code);
        for (int32_t i = 0; i < f->count; i++) {
            uint32_t raw = number(image, at, size);
            int32_t value = raw > (uint32_t)INT32_MAX ? INT32_MAX : (int32_t)raw;
            if (f->code == SIGNED && value > 32767) {
                value -= 65536;
            }
            if (value < f->least || value > f->greatest) {
                return false;
            }
            at += size;
        }
    }
    return true;
}

int32_t lift_image_read(const uint8_t *image, size_t length, const lift_image_t **into) {
    if (length < LIFT_HEADER_BYTES || image[0] != 'L' || image[1] != 'L' || image[2] != 'C' ||
        image[3] != 'I') {
        return LIFT_IMAGE_MAGIC;
    }
    if (number(image, 4, 2) != LIFT_IMAGE_VERSION) {
        return LIFT_IMAGE_VERSION_OTHER;
    }
    if (number(image, 6, 2) != LIFT_IMAGE_BYTES || length != LIFT_IMAGE_BYTES) {
        return LIFT_IMAGE_LENGTH;
    }
    if (number(image, 8, 4) != lift_image_crc(image, length)) {
        return LIFT_IMAGE_CRC;
    }
    if (!in_range(image)) {
        return LIFT_IMAGE_RANGE;
    }
    const lift_image_t *c = (const lift_image_t *)(const void *)image;
    if (((uintptr_t)image & 3U) != 0U ||
        c->version != LIFT_IMAGE_VERSION) { /* GCOVR_EXCL_BR_LINE: true on a big-endian machine only */
        return LIFT_IMAGE_PLACE;
    }
    if (!in_order(c)) {
        return LIFT_IMAGE_ORDER;
    }
    *into = c;
    return LIFT_IMAGE_OK;
}
