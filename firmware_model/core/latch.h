/* Peak, hold, release (L1 to L7), and a value that falls no faster than a rate (R1, H6).
 *
 * One latch, lift_latch_t; the reduction has one and the retard has one.
 *
 * Assumptions: one of lift_latch_step, lift_latch_step_out_of_sight, lift_latch_keep and lift_latch_let_go is
 * called once a tick; demand and trigger are 0..LIFT_FULL. A release of 0 means one step.
 *
 * Invariants:
 * - `output` >= the demand of the same tick, and rises only to a new demand.
 * - PEAK, HOLD and KEPT do not change `output`; the hold runs for exactly `hold` ticks, of which those of
 *   KEPT are some.
 * - in RELEASE with a rate above 0, `output` falls no faster than that rate.
 * - at REST output, ramp and hold_left are 0: rest is one state, whatever came before.
 *
 * A slope, lift_slope_t: a value that rises and falls no faster than its rates (Q16 a tick; 0 means one
 * step).
 *
 * Assumptions: targets are 0..LIFT_FULL. Invariant: `value` moves towards the target only, never past it.
 */
#ifndef LIFT_LATCH_H
#define LIFT_LATCH_H

#include "liftlatch.h"

/* Set the trigger, hold and release; with `follows` there is no hold (L7). */
void lift_latch_calibrate(lift_latch_t *l, int32_t trigger, int32_t hysteresis, int32_t hold,
    int32_t hold_from,
                        int32_t release_q16, bool follows);

void lift_latch_reset(lift_latch_t *l);

/* One tick with the map's value, or 0 where nothing may be asked. */
void lift_latch_step(lift_latch_t *l, int32_t value);

/* One tick with the nose out of sight: no trigger, and the hold does not run (H5). */
void lift_latch_step_out_of_sight(lift_latch_t *l, int32_t greatest);

/* Count so many ticks out of sight as hold (H10). */
void lift_latch_shorten(lift_latch_t *l, int32_t ticks);

/* One tick of a fault: what is taken stays taken (H6). */
void lift_latch_keep(lift_latch_t *l);

/* One tick of the release after a fault was kept for its time, at a rate above 0 (H6). */
void lift_latch_let_go(lift_latch_t *l, int32_t rate);

/* The CRC register carried on over the whole state. */
uint32_t lift_latch_digest(const lift_latch_t *l, uint32_t crc);

/* Set the rates. */
void lift_slope_calibrate(lift_slope_t *s, int32_t up_q16, int32_t down_q16);

void lift_slope_reset(lift_slope_t *s);

/* The value one tick later, rounded down. */
int32_t lift_slope_step(lift_slope_t *s, int32_t target);

/* The CRC register carried on over the whole state. */
uint32_t lift_slope_digest(const lift_slope_t *s, uint32_t crc);

#endif
