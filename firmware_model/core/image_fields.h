/* The fields of a calibration image, in order: the one list of them in C.
 *
 * It is included wherever something is made of each field, by a file that says before what:
 *
 *     LIFT_FIELD(type, name, least, greatest)         one value
 *     LIFT_ROW(type, name, count, least, greatest)    a fixed array of values
 *
 * `least` and `greatest` are the legal range of a value. liftlatch.h makes the struct of them, image.c the
 * check of the ranges; a test compares them with controller/image.py. Both macros end with this file.
 *
 * Above each field: its unit and meaning. "sample" is one reading of the height sensor, "tick" one call of
 * lift_step. Q16 and Q12: 1/65536 and 1/4096 of the unit named. Points of an axis rise strictly; only as many
 * as the count before them says are looked at. The 32-bit fields come first, so that every field lies on its
 * natural boundary.
 */
#include "constants.h"

#ifndef LIFT_FIELD
#define LIFT_FIELD(type, name, least, greatest)
#define LIFT_ROW(type, name, count, least, greatest)
#endif

/* ---- 32 bit */

/* lift at the axle for each height at the sensor (H2) */
LIFT_FIELD(uint32_t, gain_q12, 1, INT32_C(65536))
/* samples: window of a learned rest height; 0 off (H2) */
LIFT_FIELD(uint32_t, learn_window, 0, INT32_C(65536))
/* mm/s for each 1/16 mm a sample (H9) */
LIFT_FIELD(uint32_t, look_speed_q12, 1, INT32_C(512000))
/* a tick: progress rises no faster (P1) */
LIFT_FIELD(uint32_t, progress_up_q12, 1, LIFT_ELAPSED_LIMIT << 12)
/* a tick: progress falls no faster (P1) */
LIFT_FIELD(uint32_t, progress_down_q12, 1, LIFT_ELAPSED_LIMIT << 12)
/* ticks: the hold (L3) */
LIFT_FIELD(uint32_t, hold_ticks, 0, INT32_C(1200000))
/* 0.1 % a tick: release; 0 in one step (L4) */
LIFT_FIELD(uint32_t, release_q16, 0, (int32_t)LIFT_FULL << 16)
/* 0.1 degree a tick: release; 0 in one step (L7) */
LIFT_FIELD(uint32_t, retard_release_q16, 0, (int32_t)LIFT_FULL << 16)
/* ticks: a fault keeps torque away (H6) */
LIFT_FIELD(uint32_t, fault_hold_ticks, 0, INT32_C(1200000))
/* 0.1 % a tick: release after that (H6) */
LIFT_FIELD(uint32_t, fault_release_q16, 1, INT32_C(100) << 16)
/* 0.1 degree a tick: the same for the retard (H6) */
LIFT_FIELD(uint32_t, fault_retard_release_q16, 1, INT32_C(100) << 16)
/* 0.1 % a tick: growth of the blind reduction (H6) */
LIFT_FIELD(uint32_t, blind_growth_q16, 1, (int32_t)LIFT_FULL << 16)
/* 0.1 % a tick: engine ceiling; 0 in one step (R1) */
LIFT_FIELD(uint32_t, engine_release_q16, 0, (int32_t)LIFT_FULL << 16)
/* 0.1 degree a tick: engine ceiling (R1) */
LIFT_FIELD(uint32_t, engine_retard_release_q16, 0, (int32_t)LIFT_FULL << 16)
/* 0.1 % a tick: shaft ceiling (R1) */
LIFT_FIELD(uint32_t, shaft_release_q16, 0, (int32_t)LIFT_FULL << 16)
/* 0.1 degree a tick: shaft ceiling (R1) */
LIFT_FIELD(uint32_t, shaft_retard_release_q16, 0, (int32_t)LIFT_FULL << 16)

/* us: length of a tick */
LIFT_FIELD(uint16_t, tick_us, 500, 10000)

/* ---- sensor: counts, height, use of a sample (H1, H3 to H5, H10, H11) */

/* counts: the converter's greatest reading */
LIFT_FIELD(uint16_t, adc_max, 1, LIFT_COUNTS_LIMIT)
/* counts: below it the sensor is not there */
LIFT_FIELD(uint16_t, window_low, 0, LIFT_COUNTS_LIMIT)
/* counts, above window_low, to adc_max: the same above */
LIFT_FIELD(uint16_t, window_high, 0, LIFT_COUNTS_LIMIT)
/* points of the curve */
LIFT_FIELD(uint16_t, sensor_points, 2, LIFT_SENSOR_POINTS)
/* counts, rising */
LIFT_ROW(uint16_t, sensor_counts, LIFT_SENSOR_POINTS, 0, LIFT_COUNTS_LIMIT)
/* 1/16 mm, rising or falling, span to 32767 */
LIFT_ROW(int16_t, sensor_height, LIFT_SENSOR_POINTS, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT)
/* ticks from sample to sample */
LIFT_FIELD(uint16_t, sample_ticks, 1, 1000)
/* 1/16 mm: constant part of a change (H3) */
LIFT_FIELD(uint16_t, allowance, 1, LIFT_LIFT_LIMIT)
/* 1/16 mm a tick: what waiting adds to it (H3) */
LIFT_FIELD(uint16_t, allowance_rate, 1, LIFT_LIFT_LIMIT)
/* samples not used that make a fault (H4) */
LIFT_FIELD(uint16_t, confirm_samples, 1, LIFT_WAIT_LIMIT)
/* samples used in a row that end it (H4) */
LIFT_FIELD(uint16_t, heal_samples, 1, LIFT_WAIT_LIMIT)
/* agreeing samples, believed at any distance (H3) */
LIFT_FIELD(uint16_t, agree_samples, 2, 16)
/* 1/16 mm: this close to the far end (H5) */
LIFT_FIELD(uint16_t, near_end, 1, LIFT_LIFT_LIMIT)
/* samples like a nose at rest that bring the sensor back (H10, H11) */
LIFT_FIELD(uint16_t, return_samples, 1, LIFT_WAIT_LIMIT)

/* ---- stuck reading (H8) */

/* 1/16 mm: a reading that stays within it */
LIFT_FIELD(uint16_t, stuck_band, 0, LIFT_LIFT_LIMIT)
/* samples: for this long; 0 off */
LIFT_FIELD(uint16_t, stuck_samples, 0, 65535)
/* 0.1 km/h: while the car is faster, is stuck */
LIFT_FIELD(uint16_t, stuck_speed, 0, LIFT_SPEED_LIMIT)

/* ---- lift (H2, H7, H9) */

/* 1/16 mm, inside the curve: height at rest */
LIFT_FIELD(int16_t, rest, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT)
/* 1/16 mm: greatest spread of a learning window */
LIFT_FIELD(uint16_t, learn_spread, 0, 16383)
/* 1/16 mm: greatest distance from `rest` */
LIFT_FIELD(uint16_t, learn_tolerance, 0, 16383)
/* 1, 3 or 5 (H7) */
LIFT_FIELD(uint16_t, median_samples, 1, 5)
/* share of a new value in the low-pass; 4096 off */
LIFT_FIELD(uint16_t, lowpass_q12, 1, 4096)
/* 1/16 mm ahead for each mm/s upwards; 0 off */
LIFT_FIELD(uint16_t, look_rising_q12, 0, 26214)
/* 1/16 mm ahead for each mm/s downwards; 0 off */
LIFT_FIELD(uint16_t, look_falling_q12, 0, 26214)
/* low-pass of the lift's speed */
LIFT_FIELD(uint16_t, look_lowpass_q12, 1, 4096)
/* 1/16 mm: below this lift nothing is added ahead */
LIFT_FIELD(int16_t, look_from, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT)

/* ---- progress (P1 to P3) */

/* LIFT_BY_SPEED: 0.1 km/h, LIFT_BY_TIME: ms since launch */
LIFT_FIELD(uint16_t, progress_axis_kind, 0, LIFT_BY_TIME)
/* LIFT_CAR_SPEED, LIFT_FRONT_WHEEL_SPEED */
LIFT_FIELD(uint16_t, speed_source, 0, LIFT_FRONT_WHEEL_SPEED)
/* 0.1 km/h a tick: a change as large is not believed */
LIFT_FIELD(uint16_t, speed_step, 1, LIFT_SPEED_LIMIT)
/* points of the calibrated speed over the time since launch */
LIFT_FIELD(uint16_t, run_points, 1, LIFT_CURVE_POINTS)
/* ms, rising */
LIFT_ROW(uint16_t, run_ms, LIFT_CURVE_POINTS, 0, LIFT_ELAPSED_LIMIT)
/* 0.1 km/h */
LIFT_ROW(uint16_t, run_speed, LIFT_CURVE_POINTS, 0, LIFT_SPEED_LIMIT)
/* 1/16 mm: from here on the front is in the air (P2) */
LIFT_FIELD(int16_t, air_lift, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT)
/* 1/16 mm: and until this much below */
LIFT_FIELD(uint16_t, air_hysteresis, 0, LIFT_LIFT_LIMIT)
/* ticks: and this much longer */
LIFT_FIELD(uint16_t, spin_up_ticks, 0, 65535)
/* ticks for each of the slots before take-off */
LIFT_FIELD(uint16_t, lookback_ticks, 1, 1000)

/* ---- maps (M1); cells by lift, then progress, a row of LIFT_AXIS_POINTS for each lift */

/* points of the lift axis */
LIFT_FIELD(uint16_t, lift_points, 1, LIFT_AXIS_POINTS)
/* 1/16 mm, rising */
LIFT_ROW(int16_t, lift_axis, LIFT_AXIS_POINTS, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT)
/* points of the progress axis */
LIFT_FIELD(uint16_t, progress_points, 1, LIFT_AXIS_POINTS)
/* in the unit of progress_axis_kind, rising */
LIFT_ROW(uint16_t, progress_axis, LIFT_AXIS_POINTS, 0, LIFT_ELAPSED_LIMIT)
/* 0.1 % */
LIFT_ROW(uint16_t, reduction_map, LIFT_MAP_CELLS, 0, LIFT_FULL)
/* 0.1 degree */
LIFT_ROW(uint16_t, retard_map, LIFT_MAP_CELLS, 0, LIFT_FULL)

/* ---- latch (L1 to L8) */

/* 0.1 %: a smaller reduction is not asked for */
LIFT_FIELD(uint16_t, trigger, 0, LIFT_FULL)
/* 0.1 %: once asked for, until this much below */
LIFT_FIELD(uint16_t, trigger_hysteresis, 0, LIFT_FULL)
/* LIFT_FROM_PEAK, LIFT_FROM_LANDING */
LIFT_FIELD(uint16_t, hold_from, 0, LIFT_FROM_LANDING)
/* 0: the retard has a latch; 1: it follows its map (L7) */
LIFT_FIELD(uint16_t, retard_follows, 0, 1)
/* 0.1 degree */
LIFT_FIELD(uint16_t, retard_trigger, 0, LIFT_FULL)
/* 0.1 degree */
LIFT_FIELD(uint16_t, retard_trigger_hysteresis, 0, LIFT_FULL)
/* ticks of not armed that end the run (L8) */
LIFT_FIELD(uint16_t, disarm_ticks, 1, 65535)

/* ---- a fault with no reduction on (H6) */

/* 0.1 %; 0 none */
LIFT_FIELD(uint16_t, blind_reduction, 0, LIFT_FULL)
/* ms since launch */
LIFT_FIELD(uint16_t, blind_until_ms, 0, LIFT_ELAPSED_LIMIT)

/* ---- curve requests (R1); 0 points: none */

/* points of the curve */
LIFT_FIELD(uint16_t, engine_points, 0, LIFT_CURVE_POINTS)
/* ms since launch, rising */
LIFT_ROW(uint16_t, engine_ms, LIFT_CURVE_POINTS, 0, LIFT_ELAPSED_LIMIT)
/* rpm */
LIFT_ROW(uint16_t, engine_rpm, LIFT_CURVE_POINTS, 0, LIFT_ROTATION_LIMIT)
/* LIFT_HOLD_LAST, LIFT_STOP */
LIFT_FIELD(uint16_t, engine_after_end, 0, LIFT_STOP)
/* 1: acts before launch too */
LIFT_FIELD(uint16_t, engine_before_launch, 0, 1)
/* rpm below the curve at which it stops asking */
LIFT_FIELD(uint16_t, engine_hysteresis, 0, LIFT_ROTATION_LIMIT)
/* points of the line */
LIFT_FIELD(uint16_t, engine_line_points, 1, LIFT_LINE_POINTS)
/* rpm above the curve, rising */
LIFT_ROW(uint16_t, engine_over_rpm, LIFT_LINE_POINTS, 0, LIFT_ROTATION_LIMIT)
/* 0.1 % */
LIFT_ROW(uint16_t, engine_reduction, LIFT_LINE_POINTS, 0, LIFT_FULL)
/* 0.1 degree */
LIFT_ROW(uint16_t, engine_retard, LIFT_LINE_POINTS, 0, LIFT_FULL)
/* points of the curve */
LIFT_FIELD(uint16_t, shaft_points, 0, LIFT_CURVE_POINTS)
/* ms since launch, rising */
LIFT_ROW(uint16_t, shaft_ms, LIFT_CURVE_POINTS, 0, LIFT_ELAPSED_LIMIT)
/* rpm */
LIFT_ROW(uint16_t, shaft_rpm, LIFT_CURVE_POINTS, 0, LIFT_ROTATION_LIMIT)
/* LIFT_HOLD_LAST, LIFT_STOP */
LIFT_FIELD(uint16_t, shaft_after_end, 0, LIFT_STOP)
/* rpm */
LIFT_FIELD(uint16_t, shaft_hysteresis, 0, LIFT_ROTATION_LIMIT)
/* points of the line */
LIFT_FIELD(uint16_t, shaft_line_points, 1, LIFT_LINE_POINTS)
/* rpm above the curve, rising */
LIFT_ROW(uint16_t, shaft_over_rpm, LIFT_LINE_POINTS, 0, LIFT_ROTATION_LIMIT)
/* 0.1 % */
LIFT_ROW(uint16_t, shaft_reduction, LIFT_LINE_POINTS, 0, LIFT_FULL)
/* 0.1 degree */
LIFT_ROW(uint16_t, shaft_retard, LIFT_LINE_POINTS, 0, LIFT_FULL)

/* ---- limits of the command (R4) */

/* 0.1 % */
LIFT_FIELD(uint16_t, reduction_limit, 0, LIFT_FULL)
/* 0.1 degree */
LIFT_FIELD(uint16_t, retard_limit, 0, LIFT_FULL)

/* ---- cylinder events (C1) */

/* how many */
LIFT_FIELD(uint16_t, cylinders, 1, LIFT_CYLINDERS)
/* each cylinder from 1 to `cylinders` once */
LIFT_ROW(uint16_t, firing_order, LIFT_CYLINDERS, 0, LIFT_CYLINDERS)
/* LIFT_FUEL_OFF, LIFT_SPARK_OFF or both: what a skip takes */
LIFT_FIELD(uint16_t, event_bits, 1, 3)

/* ---- what a device does whose inputs stop: lift_safe, called by link/link.h or a firmware of ones own */

/* ms without inputs; 0 off */
LIFT_FIELD(uint16_t, stall_ms, 0, 65535)
/* 0.1 %: what the outputs then go to */
LIFT_FIELD(uint16_t, safe_reduction, 0, LIFT_FULL)
/* 0.1 degree: the same */
LIFT_FIELD(uint16_t, safe_retard, 0, LIFT_FULL)

#undef LIFT_FIELD
#undef LIFT_ROW
