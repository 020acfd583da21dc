/* The calibration image: see image.h. */
#include "image.h"

#include "fixed.h"

/* The image is read in place: the struct must be the block, byte for byte. */
typedef char lift_image_has_no_gaps
    [offsetof(lift_image_t, gain_q12) == LIFT_HEADER_BYTES &&
     offsetof(lift_image_t, safe_retard) + sizeof(uint16_t) == LIFT_IMAGE_BYTES ? 1 : -1];

/* What the whole core takes for granted of the machine. */
typedef char lift_numbers_are_twos_complement[(-1 & 3) == 3 ? 1 : -1];

/* One field: bytes of a value (negative where it has a sign), how many, legal range. */
enum { CODE_uint16_t = 2, CODE_uint32_t = 4, CODE_int16_t = -2 };

typedef struct {
    int16_t code;
    int16_t count;
    int32_t least;
    int32_t greatest;
} field_t;

static const field_t FIELDS[] = {
#define LIFT_FIELD(type, name, least, greatest) {CODE_##type, 1, least, greatest},
#define LIFT_ROW(type, name, count, least, greatest) {CODE_##type, count, least, greatest},
#include "image_fields.h"
};

enum { FIELD_COUNT = sizeof(FIELDS) / sizeof(FIELDS[0]) };

static int32_t bytes_of(int32_t code) {
    return code < 0 ? -code : code;
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
            if (f->code < 0 && value > 32767) {
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
