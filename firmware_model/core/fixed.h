/* Integer arithmetic: one rounding rule (half away from zero), exact products, saturation, CRC-32.
 *
 * Assumptions: values keep the limits of constants.h. Invariant: no intermediate reaches 2**30.
 */
#ifndef LIFT_FIXED_H
#define LIFT_FIXED_H

#include <stdint.h>

int32_t lift_abs(int32_t value);
int32_t lift_min(int32_t one, int32_t other);
int32_t lift_max(int32_t one, int32_t other);

/* The value, cut to least..greatest. */
int32_t lift_clamp(int32_t value, int32_t least, int32_t greatest);

/* A height or lift in 1/16 mm, cut to +-LIFT_LIFT_LIMIT. */
int32_t lift_saturate(int32_t value);

/* value * factor / 4096, rounded half away from zero.
 * |value| < 2**22 and |value| * factor + 2048 < 2**38: the product is split at bit 8 of the factor, so that
 * neither half reaches 2**30, nor does their sum, which is (|value| * factor + 2048) >> 8. */
int32_t lift_mul_q12(int32_t value, int32_t factor);

/* value * numerator / denominator, rounded half away from zero.
 * |value| <= 65535, 0 <= numerator <= denominator <= 65535, denominator > 0. The product is split at
 * bit 8 of the value: high <= 255 * 65535, the quotient <= 255, and rest < 511 * 65535 < 2**25. */
int32_t lift_mul_div(int32_t value, int32_t numerator, int32_t denominator);

/* value / divisor, rounded half away from zero; divisor > 0, |value| + divisor / 2 < 2**30. */
int32_t lift_round_div(int32_t value, int32_t divisor);

/* The value of a broken line at a place; the end values are held outside.
 * axis rises strictly; its span and the steps of values are at most 65535; points >= 1. */
int32_t lift_interpolate(const uint16_t *axis, const uint16_t *values, int32_t points, int32_t at);

/* The same for a line whose values have a sign. */
int32_t lift_interpolate_signed(const uint16_t *axis, const int16_t *values, int32_t points, int32_t at);

/* CRC-32/ISO-HDLC, register carried on by one byte; start at 0xFFFFFFFF, invert at the end. */
uint32_t lift_crc32(uint32_t crc, uint8_t byte);

/* The CRC register carried on by one signed 32-bit word, little-endian. */
uint32_t lift_crc32_word(uint32_t crc, int32_t word);

#endif
