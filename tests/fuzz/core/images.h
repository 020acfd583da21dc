/* Calibration images for the fuzzer: plain bytes never meet a CRC, and few of them the ranges.
 *
 * Takes in image.c whole, for its table of fields; a target that includes this must not link image.c too.
 */
#ifndef FUZZ_IMAGES_H
#define FUZZ_IMAGES_H

#include "check.h"
#include "core/image.c" // NOLINT

static void put(uint8_t *at, int32_t size, uint32_t value) {
    for (int32_t i = 0; i < size; i++) {
        at[i] = (uint8_t)(value >> (8 * i));
    }
}

/* CRC-32/ISO-HDLC, bit by bit: polynomial 0x04C11DB7 reflected (G. Cook, "Catalogue of Parametrised CRC
 * Algorithms"). Written apart from the core's. */
static uint32_t crc_by_bits(const uint8_t *bytes, size_t count) {
    uint32_t crc = 0xFFFFFFFFU;
    for (size_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc >> 1) ^ (0xEDB88320U & (0U - (crc & 1U)));
        }
    }
    return ~crc;
}

/* Header and CRC as they should be. */
static void seal(uint8_t *image) {
    memcpy(image, "LLCI", 4);
    put(image + 4, 2, LIFT_IMAGE_VERSION);
    put(image + 6, 2, LIFT_IMAGE_BYTES);
    put(image + 8, 4, crc_by_bits(image + LIFT_HEADER_BYTES, LIFT_IMAGE_BYTES - LIFT_HEADER_BYTES));
}

static int32_t any_value(uint64_t *state, const field_t *f) {
    switch (dice(state) % 6U) {
    case 0:
        return f->least;
    case 1:
        return f->greatest;
    case 2: /* small numbers are where counters end soon */
        return f->least + (int32_t)(dice(state) % 20U) % (f->greatest - f->least + 1);
    case 3:
        return between(state, f->least, f->least + (f->greatest - f->least) / 64);
    default:
        return between(state, f->least, f->greatest);
    }
}

/* Give one field, or all values of one array, legal values: rising in two of three arrays. */
static void set_field(uint8_t *image, uint64_t *state) {
    int32_t wanted = between(state, 0, FIELD_COUNT - 1);
    int32_t at = LIFT_HEADER_BYTES;
    for (int32_t i = 0; i < wanted; i++) {
        at += FIELDS[i].count * bytes_of(FIELDS[i].code);
    }
    const field_t *f = &FIELDS[wanted];
    int32_t size = bytes_of(f->code);
    bool axis = f->count > 1 && dice(state) % 3U != 0U;
    int32_t step = axis ? between(state, 1, (f->greatest - f->least) / f->count) : 0;
    int32_t value = axis ? between(state, f->least, f->greatest - step * (f->count - 1)) : 0;
    for (int32_t i = 0; i < f->count; i++) {
        put(image + at + i * size, size, (uint32_t)(axis ? value + i * step : any_value(state, f)));
    }
}

/* A firing order of `cylinders` (1 to 12). */
static void set_cylinders(uint8_t *image, uint64_t *state) {
    int32_t n = between(state, 1, LIFT_CYLINDERS);
    int32_t turn = between(state, 0, n - 1);
    put(image + offsetof(lift_image_t, cylinders), 2, (uint32_t)n);
    for (int32_t i = 0; i < n; i++) {
        put(image + offsetof(lift_image_t, firing_order) + (size_t)(2 * i), 2,
            (uint32_t)(1 + (i + turn) % n));
    }
}

/* Change the LIFT_IMAGE_BYTES of an image; most of the time it is sealed after that. */
static void mutate_image(uint8_t *image, unsigned seed) {
    uint64_t state = seed;
    uint32_t way = dice(&state) % 16U;
    if (way < 10U) {
        for (int32_t n = between(&state, 1, 4); n > 0; n--) {
            set_field(image, &state);
        }
    } else if (way < 11U) {
        set_cylinders(image, &state);
    } else {
        size_t kept = LLVMFuzzerMutate(image, LIFT_IMAGE_BYTES, LIFT_IMAGE_BYTES);
        memset(image + kept, 0, LIFT_IMAGE_BYTES - kept);
    }
    if (dice(&state) % 32U != 0U) {
        seal(image);
    }
}

#endif
