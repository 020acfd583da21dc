/* Which cylinder events are skipped (C1 to C3).
 *
 * One decision for each cylinder and engine cycle: ll_events_t.
 *
 * One integral of the reduction serves all cylinders: it grows by the reduction at each event, and cylinder
 * k of n in firing order skips when floor((integral + LL_FULL * k) / (LL_FULL * n)) has moved since its own
 * last event. One accumulator for all would starve the same half of an even number of cylinders for ever at
 * 50 %; one for each would drift apart whenever the reduction changes.
 *
 * Assumptions: ll_events_event is called when a cylinder's fuel is due, ll_events_spark when the spark of the
 * same cycle is; reductions are 0..LL_FULL.
 *
 * Invariants:
 * - 0 <= integral < LL_FULL * n * LL_EVENT_WRAPS; it wraps together with the marks, whose difference only
 *   is used.
 * - `skipped[k]` is the decision of the cylinder's present cycle until its next one.
 */
#ifndef LL_EVENTS_H
#define LL_EVENTS_H

#include "liftlatch.h"

/* Set the number of cylinders, the firing order and what a skipped event switches off. */
void ll_events_calibrate(ll_events_t *e, const ll_image_t *calibration);

void ll_events_reset(ll_events_t *e);

/* Decide this cycle of a cylinder (numbered from 1): the bits to switch off, 0 to fire.
 * A number that is no cylinder fires and changes nothing. */
int32_t ll_events_event(ll_events_t *e, int32_t cylinder, int32_t reduction);

/* LL_SPARK_OFF when the charge of this cycle is not to be fired, else 0. */
int32_t ll_events_spark(const ll_events_t *e, int32_t cylinder);

/* The CRC register carried on over the whole state. */
uint32_t ll_events_digest(const ll_events_t *e, uint32_t crc);

#endif
