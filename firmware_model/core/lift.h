/* Height to lift: rest height, gain, median, low-pass, speed for the look-ahead (H2, H7, H9).
 *
 * The lift at the front axle, filtered, and where it is going: lift_lift_t.
 *
 * Assumptions: lift_lift_sample is called once for each used sample, in order; lift_lift_learn before launch
 * only.
 *
 * Invariants:
 * - `rest` is the calibrated height, or the mean of one whole window of used samples that kept the spread
 *   and the tolerance; it does not change after launch.
 * - `value` and `entry` lie within +-LIFT_LIFT_LIMIT.
 * - `moved` is 1 from a change of `rest` to the next used sample, which starts the filters anew.
 * - a lost sample never lowers `entry`: a rising speed stays, a falling one counts as 0.
 * - of a low-pass: |remainder| < 4096; on a constant input the value settles exactly on it and stays.
 */
#ifndef LIFT_LIFT_H
#define LIFT_LIFT_H

#include "liftlatch.h"

void lift_lowpass_reset(lift_lowpass_t *l, int32_t factor_q12, int32_t value);

/* The value after one more sample; |target| < 2**17. Truncated towards zero (H7). */
int32_t lift_lowpass_step(lift_lowpass_t *l, int32_t target);

uint32_t lift_lowpass_digest(const lift_lowpass_t *l, uint32_t crc);

void lift_lift_reset(lift_lift_t *l, const lift_image_t *calibration);

/* Back to the calibrated rest height, and learn from the start (H2). */
void lift_lift_forget(lift_lift_t *l);

/* The lift at the axle for a height at the sensor, 1/16 mm (H2). */
int32_t lift_lift_of_height(const lift_lift_t *l, int32_t height);

/* One used sample before launch; whether the rest height was learned anew from it (H2). */
bool lift_lift_learn(lift_lift_t *l, int32_t height, bool still);

/* Take in one used sample; `gap` samples after the one before it (H7, H9). */
void lift_lift_sample(lift_lift_t *l, int32_t height, bool reseed, int32_t gap);

/* A sample that is not used: it may lose no cut (H9). */
void lift_lift_miss(lift_lift_t *l);

/* The CRC register carried on over the whole state. */
uint32_t lift_lift_digest(const lift_lift_t *l, uint32_t crc);

#endif
