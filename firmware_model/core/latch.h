/* Peak, hold, release (L1 to L7), and a value that falls no faster than a rate (R1, H6).
 *
 * One latch, ll_latch_t; the reduction has one and the retard has one.
 *
 * Assumptions: one of ll_latch_step, ll_latch_step_out_of_sight, ll_latch_keep and ll_latch_let_go is called
 * once a tick; demand and trigger are 0..LL_FULL. A release of 0 means one step.
 *
 * Invariants:
 * - `output` >= the demand of the same tick, and rises only to a new demand.
 * - PEAK, HOLD and KEPT do not change `output`; the hold runs for exactly `hold` ticks.
 * - at REST output, ramp and hold_left are 0: rest is one state, whatever came before.
 *
 * A slope, ll_slope_t: a value that rises and falls no faster than its rates (Q16 a tick; 0 means one step).
 *
 * Assumptions: targets are 0..LL_FULL. Invariant: `value` moves towards the target only, never past it.
 */
#ifndef LL_LATCH_H
#define LL_LATCH_H

#include "liftlatch.h"

/* Set the trigger, hold and release; with `follows` there is no hold (L7). */
void ll_latch_calibrate(ll_latch_t *l, int32_t trigger, int32_t hysteresis, int32_t hold, int32_t hold_from,
                        int32_t release_q16, bool follows);

void ll_latch_reset(ll_latch_t *l);

/* One tick with the map's value, or 0 where nothing may be asked. */
void ll_latch_step(ll_latch_t *l, int32_t value);

/* One tick with the nose out of sight: no trigger, and the hold does not run (H5). */
void ll_latch_step_out_of_sight(ll_latch_t *l, int32_t greatest);

/* One tick of a fault: what is taken stays taken (H6). */
void ll_latch_keep(ll_latch_t *l);

/* One tick of the release after a fault was kept for its time, at a rate above 0 (H6). */
void ll_latch_let_go(ll_latch_t *l, int32_t rate);

/* The CRC register carried on over the whole state. */
uint32_t ll_latch_digest(const ll_latch_t *l, uint32_t crc);

/* Set the rates. */
void ll_slope_calibrate(ll_slope_t *s, int32_t up_q16, int32_t down_q16);

void ll_slope_reset(ll_slope_t *s);

/* The value one tick later, rounded down. */
int32_t ll_slope_step(ll_slope_t *s, int32_t target);

/* The CRC register carried on over the whole state. */
uint32_t ll_slope_digest(const ll_slope_t *s, uint32_t crc);

#endif
