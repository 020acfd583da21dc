/* Reduction and retard over lift and progress (M1).
 *
 * Bilinear look-up in both maps at one place, end values held outside: lift_maps_t.
 *
 * Assumptions: axes rise strictly (the image check says so); cells are 0..LIFT_FULL.
 *
 * Invariants: `reduction` and `retard` lie between the least and the greatest of the four cells around the
 * place, and within one unit of exact bilinear interpolation: the value along the lift axis carries four
 * more bits, so that 16 * LIFT_FULL * axis span stays below 2**30.
 */
#ifndef LIFT_MAPS_H
#define LIFT_MAPS_H

#include "liftlatch.h"

void lift_maps_reset(lift_maps_t *m, const lift_image_t *calibration);

/* Set `reduction` and `retard` to the maps' values. */
void lift_maps_look(lift_maps_t *m, int32_t lift, int32_t progress);

/* Set `reduction` and `retard`, each to its greatest value at or above a lift (H5). */
void lift_maps_look_out_of_sight(lift_maps_t *m, int32_t end_lift, int32_t progress);

/* The CRC register carried on over the whole state. */
uint32_t lift_maps_digest(const lift_maps_t *m, uint32_t crc);

#endif
