/* Requests other than lift, and the strongest of all (R1 to R4).
 *
 * A curve request, ll_curve_request_t: reduction and retard for a rotation above a curve over the time since
 * launch (R1).
 *
 * Assumptions: ll_curve_request_step is called once a tick; the points of curve and line rise strictly.
 *
 * Invariants: `active` begins above the curve and ends below it by more than the hysteresis; both outputs
 * fall no faster than their release rates, also when the request stops.
 *
 * The command, ll_command_t: what the engine is told, the strongest of all requests, within the calibrated
 * limits.
 *
 * Assumptions: once a tick ll_command_begin, then ll_command_ask by each asker in the fixed order that
 * decides ties (lift, blind, engine, shaft, outside), then ll_command_finish.
 *
 * Invariants: `reduction` and `retard` are the greatest asked for, cut to their limits; `reason` says who
 * set the reduction and is 0 when nobody asks for one. The published values change only in
 * ll_command_finish, so that an interrupt between two lines of a step still sees a whole command.
 */
#ifndef LL_REQUESTS_H
#define LL_REQUESTS_H

#include "liftlatch.h"

/* Set the curve over the time since launch; 0 points switch the request off. */
void ll_curve_request_calibrate_curve(ll_curve_request_t *r, int32_t points, const uint16_t *ms,
                                      const uint16_t *rpm, int32_t after_end, int32_t hysteresis);

/* Set what an overshoot asks for. */
void ll_curve_request_calibrate_line(ll_curve_request_t *r, int32_t points, const uint16_t *over_rpm,
                                     const uint16_t *reduction, const uint16_t *retard);

void ll_curve_request_reset(ll_curve_request_t *r);

/* One tick; `running` says that the request may act at this time at all. */
void ll_curve_request_step(ll_curve_request_t *r, int32_t rpm, int32_t elapsed_ms, bool running);

/* The CRC register carried on over the whole state. */
uint32_t ll_curve_request_digest(const ll_curve_request_t *r, uint32_t crc);

/* Set the limits (R4). */
void ll_command_calibrate(ll_command_t *c, const ll_image_t *calibration);

void ll_command_reset(ll_command_t *c);

/* Nobody has asked yet. */
void ll_command_begin(ll_command_t *c);

/* One request, values 0..LL_FULL (R3). */
void ll_command_ask(ll_command_t *c, int32_t reduction, int32_t retard, int32_t reason, int32_t asker);

/* Publish the strongest of what was asked, within the limits (R4). */
void ll_command_finish(ll_command_t *c);

/* The CRC register carried on over the published command. */
uint32_t ll_command_digest(const ll_command_t *c, uint32_t crc);

#endif
