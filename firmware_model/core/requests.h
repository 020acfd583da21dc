/* Requests other than lift, and the strongest of all (R1 to R4).
 *
 * A curve request, lift_curve_request_t: reduction and retard for a rotation above a curve over the time
 * since launch (R1).
 *
 * Assumptions: lift_curve_request_step is called once a tick; the points of curve and line rise strictly.
 *
 * Invariants: `active` begins above the curve and ends below it by more than the hysteresis; both outputs
 * fall no faster than their release rates, also when the request stops. `speed` is the last one used;
 * `reach` is how far the next may be from it.
 *
 * The command, lift_command_t: what the engine is told, the strongest of all requests, within the calibrated
 * limits.
 *
 * Assumptions: once a tick lift_command_begin, then lift_command_ask by each asker in the fixed order that
 * decides ties (lift, blind, engine, shaft, outside), then lift_command_finish.
 *
 * Invariants: `reduction` and `retard` are the greatest asked for, cut to their limits; `reason` says who
 * set the reduction and is 0 when nobody asks for one. The published values change only in
 * lift_command_finish. What acts is written by lift_command_act as one set into the place that does not act,
 * and then acts by one byte, so that an interrupt anywhere sees a whole set.
 */
#ifndef LIFT_REQUESTS_H
#define LIFT_REQUESTS_H

#include "liftlatch.h"

/* Set the curve over the time since launch; 0 points switch the request off. */
void lift_curve_request_calibrate_curve(lift_curve_request_t *r, int32_t points, const uint16_t *ms,
                                      const uint16_t *rpm, int32_t after_end, int32_t hysteresis,
                                      int32_t tick_us);

/* Set what an overshoot asks for. */
void lift_curve_request_calibrate_line(lift_curve_request_t *r, int32_t points, const uint16_t *over_rpm,
                                     const uint16_t *reduction, const uint16_t *retard);

void lift_curve_request_reset(lift_curve_request_t *r);

/* One tick; `running` says that the request may act at this time at all. */
void lift_curve_request_step(lift_curve_request_t *r, int32_t rpm, int32_t elapsed_ms, bool running);

/* The CRC register carried on over the whole state. */
uint32_t lift_curve_request_digest(const lift_curve_request_t *r, uint32_t crc);

/* Set the limits (R4). */
void lift_command_calibrate(lift_command_t *c, const lift_image_t *calibration);

void lift_command_reset(lift_command_t *c);

/* Nobody has asked yet. */
void lift_command_begin(lift_command_t *c);

/* One request, values 0..LIFT_FULL (R3). */
void lift_command_ask(lift_command_t *c, int32_t reduction, int32_t retard, int32_t reason, int32_t asker);

/* Publish the strongest of what was asked, within the limits (R4). */
void lift_command_finish(lift_command_t *c);

/* Let a set act: values 0..LIFT_FULL, reason 0..255. */
void lift_command_act(lift_command_t *c, int32_t reduction, int32_t retard, int32_t reason);

/* What acts, whole. */
void lift_command_acting(const lift_command_t *c, lift_acting_t *out);

/* The CRC register carried on over the published command. */
uint32_t lift_command_digest(const lift_command_t *c, uint32_t crc);

#endif
