/* How far the run has come: the second axis of the maps (P1, P2, P3).
 *
 * The car's speed as far as it is known, and the limited progress: lift_progress_t.
 *
 * Assumptions: lift_progress_step is called once a tick with speed cut to its range, the lift as measured,
 * and whether the nose is out of sight, which is in the air.
 *
 * Invariants:
 * - before launch progress is the source itself; after it, progress moves in one tick by no more than the
 *   calibrated rate, whatever the source does.
 * - `airborne` is 0 unless the speed is a front wheel's and the run has begun.
 * - `history` holds the car's speed at the last LIFT_LOOKBACK_SLOTS marks, the oldest at `history_next`.
 */
#ifndef LIFT_PROGRESS_H
#define LIFT_PROGRESS_H

#include "liftlatch.h"

void lift_progress_reset(lift_progress_t *p, const lift_image_t *calibration);

/* One tick; `value` and `car_speed` are the result. */
void lift_progress_step(lift_progress_t *p, int32_t speed, bool flag, int32_t elapsed_ms, bool launched,
                      int32_t lift, bool out_of_sight);

/* The CRC register carried on over the whole state. */
uint32_t lift_progress_digest(const lift_progress_t *p, uint32_t crc);

#endif
