/* Which cylinder events are skipped (C1 to C3).
 *
 * One decision for each cylinder and engine cycle: lift_events_t.
 *
 * One integral of the reduction serves all cylinders: it grows by the reduction at each event, and cylinder
 * k of n in firing order skips when floor((integral + LIFT_FULL * k) / (LIFT_FULL * n)) has moved since its
 * own last event. One accumulator for all would starve the same half of an even number of cylinders for ever
 * at 50 %; one for each would drift apart whenever the reduction changes.
 *
 * Assumptions: lift_events_event is called when a cylinder's fuel is due, lift_events_spark when the spark of
 * the same cycle is; reductions are 0..LIFT_FULL.
 *
 * Invariants:
 * - 0 <= integral < LIFT_FULL * n * LIFT_EVENT_WRAPS; it wraps together with the marks, whose difference only
 *   is used.
 * - `skipped[k]` is the decision of the cylinder's present cycle until its next one.
 */
#ifndef LIFT_EVENTS_H
#define LIFT_EVENTS_H

#include "liftlatch.h"

/* Set the number of cylinders, the firing order and what a skipped event switches off. */
void lift_events_calibrate(lift_events_t *e, const lift_image_t *calibration);

void lift_events_reset(lift_events_t *e);

/* Decide this cycle of a cylinder (numbered from 1): the bits to switch off, 0 to fire.
 * A number that is no cylinder fires and changes nothing. */
int32_t lift_events_event(lift_events_t *e, int32_t cylinder, int32_t reduction);

/* LIFT_SPARK_OFF when the charge of this cycle is not to be fired, else 0. */
int32_t lift_events_spark(const lift_events_t *e, int32_t cylinder);

/* The CRC register carried on over the whole state. */
uint32_t lift_events_digest(const lift_events_t *e, uint32_t crc);

#endif
