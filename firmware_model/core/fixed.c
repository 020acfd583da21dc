/* Integer arithmetic: see fixed.h. */
#include "fixed.h"

#include "constants.h"

int32_t lift_abs(int32_t value) {
    return value < 0 ? -value : value;
}

int32_t lift_min(int32_t one, int32_t other) {
    return one < other ? one : other;
}

int32_t lift_max(int32_t one, int32_t other) {
    return one > other ? one : other;
}

int32_t lift_clamp(int32_t value, int32_t least, int32_t greatest) {
    if (value < least) {
        return least;
    }
    if (value > greatest) {
        return greatest;
    }
    return value;
}

int32_t lift_saturate(int32_t value) {
    return lift_clamp(value, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT);
}

int32_t lift_mul_q12(int32_t value, int32_t factor) {
    int32_t size = lift_abs(value);
    int32_t result = (size * (factor >> 8) + ((size * (factor & 255) + 2048) >> 8)) >> 4;
    return value < 0 ? -result : result;
}

int32_t lift_mul_div(int32_t value, int32_t numerator, int32_t denominator) {
    int32_t size = lift_abs(value);
    int32_t high = (size >> 8) * numerator;
    int32_t quotient = high / denominator;
    int32_t rest = (high - quotient * denominator) * 256 + (size & 255) * numerator;
    int32_t result = quotient * 256 + (rest + (denominator >> 1)) / denominator;
    return value < 0 ? -result : result;
}

int32_t lift_round_div(int32_t value, int32_t divisor) {
    int32_t size = lift_abs(value);
    int32_t result = (size + (divisor >> 1)) / divisor;
    return value < 0 ? -result : result;
}

/* The first point from 1 on that is not below the place, or `points`. */
static int32_t segment_end(const uint16_t *axis, int32_t points, int32_t at) {
    for (int32_t i = 1; i < points; i++) {
        if (at <= axis[i]) {
            return i;
        }
    }
    return points;
}

int32_t lift_interpolate(const uint16_t *axis, const uint16_t *values, int32_t points, int32_t at) {
    if (at <= axis[0]) {
        return values[0];
    }
    int32_t i = segment_end(axis, points, at);
    if (i < points) {
        int32_t low = axis[i - 1];
        int32_t step = (int32_t)values[i] - values[i - 1];
        return values[i - 1] + lift_mul_div(step, at - low, axis[i] - low);
    }
    return values[points - 1];
}

int32_t lift_interpolate_signed(const uint16_t *axis, const int16_t *values, int32_t points, int32_t at) {
    if (at <= axis[0]) {
        return values[0];
    }
    int32_t i = segment_end(axis, points, at);
    if (i < points) {
        int32_t low = axis[i - 1];
        int32_t step = (int32_t)values[i] - values[i - 1];
        return values[i - 1] + lift_mul_div(step, at - low, axis[i] - low);
    }
    return values[points - 1];
}

uint32_t lift_crc32(uint32_t crc, uint8_t byte) {
    crc ^= byte;
    for (int32_t i = 0; i < 8; i++) {
        crc = (crc & 1U) != 0U ? (crc >> 1) ^ 0xEDB88320U : crc >> 1;
    }
    return crc;
}

uint32_t lift_crc32_word(uint32_t crc, int32_t word) {
    for (uint32_t shift = 0; shift < 32U; shift += 8U) {
        crc = lift_crc32(crc, (uint8_t)(((uint32_t)word >> shift) & 255U));
    }
    return crc;
}
