/* Counts to height, and which samples are used (H1, H3, H4, H5, H8, H10, H11).
 *
 * The sensor's last good height and what is known of the sensor's health: lift_height_t.
 *
 * Assumptions: lift_height_sample is called once a sensor sample; counts may be any number.
 * `taking` says that a latch's output is above 0, `launched` that the run has begun.
 *
 * Invariants:
 * - `good` changes only by a used sample; it is inside the sensor's curve.
 * - `used` is 0 while the nose is out of sight, but for the sample that ends it.
 * - `out_of_sight` begins only after launch, on a sample that is not used, with no fault on, and never
 *   because of time.
 * - `waited` is the number of samples since the last good one, `gap` that from the good one before to it.
 * - `faulted` ends only by `heal` samples used in a row (H4), by a chain (H10) or by a jump taken back
 *   (H11); from power-up it is 1, with `acquired` 0.
 * - `jump_left` is above 0 while a jump is provisional; `jump_agreeing` counts only then, and `chain` only
 *   while the nose is out of sight, or at fault while torque is taken.
 */
#ifndef LIFT_HEIGHT_H
#define LIFT_HEIGHT_H

#include "liftlatch.h"

/* Power-up: no sample accepted yet, which counts as a fault. */
void lift_height_reset(lift_height_t *h, const lift_image_t *calibration);

/* The greatest height of the sensor's curve, 1/16 mm. */
int32_t lift_height_far_end(const lift_height_t *h);

/* Judge one sample; `used`, `reseed`, `good` and the health bits are the result.
 * `rest` is the rest height in use, `falling` says that the nose was falling at the last good one. Returned
 * is how many samples brought it back from out of sight (H10, H11), 0 if none did. */
int32_t lift_height_sample(lift_height_t *h, int32_t counts, int32_t car_speed, bool launched, bool taking,
                           int32_t rest, bool falling);

/* Why the height is not to be believed, 0 if it is (H4, H6; H8 only while nothing is taken). */
int32_t lift_height_failures(const lift_height_t *h, bool taking);

/* Out of sight for the fault's hold time: that is a fault now (H5). */
void lift_height_give_up(lift_height_t *h);

/* The run is over: what the nose does out of sight no longer matters (H5). */
void lift_height_disarm(lift_height_t *h);

/* The sensor's share of the fault bits. */
int32_t lift_height_fault_bits(const lift_height_t *h);

/* The CRC register carried on over the whole state. */
uint32_t lift_height_digest(const lift_height_t *h, uint32_t crc);

#endif
