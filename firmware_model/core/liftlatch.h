/* Liftlatch: the controller for a microcontroller. This header is its manual; read it from top to bottom.
 *
 * It is an engineering aid, not a safety device. It replaces no wheelie bar, no class rule, no official and
 * no competent person at the car.
 *
 * What it is: the C twin of the Python reference in controller/, file for file and name for name. Equal
 * images and equal inputs give equal outputs, tick by tick and bit by bit.
 *
 * What it needs: a C99 compiler with two's complement, int of 16 bits or more; of the standard
 * headers only stdint.h, stdbool.h and stddef.h. No heap, no floating point, no recursion, no variables of
 * its own: all of its state is one lift_controller_t that the caller places. A compiler may call memset for a
 * loop that clears; everything else is here. A divide instruction helps but is not needed.
 *
 * How it is used:
 *
 *     #include "liftlatch.h"
 *
 *     static lift_controller_t controller;             // less than 1 KiB of RAM
 *     extern const union { uint32_t place[1]; uint8_t bytes[LIFT_IMAGE_BYTES]; } image;   // in flash
 *
 *     lift_init(&controller);
 *     if (lift_load(&controller, image.bytes, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) { stop and tell why }
 *     for each tick of the calibrated length {
 *         lift_inputs_t in;                            // fill in every field
 *         lift_step(&controller, &in);
 *         lift_outputs_t out;
 *         lift_outputs(&controller, &out);             // for lamps and logs
 *         lift_acting_t now;
 *         lift_acting(&controller, &now);              // retard the spark by now.retard
 *     }
 *     in the interrupt in which a cylinder's fuel is due:   bits = lift_event(&controller, cylinder);
 *     in the interrupt in which that cycle's spark is due:  bits = lift_spark(&controller, cylinder);
 *
 * The order of this header: numbers (constants.h), the calibration image, inputs, outputs, state, functions.
 * Rules of behaviour are named as in the project's developer documentation (H1..H11 height, P1..P3 progress,
 * M1 maps, L1..L9 latch, R1..R4 requests, C1..C3 cylinder events).
 */
#ifndef LIFTLATCH_H
#define LIFTLATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "constants.h"

#ifdef __cplusplus
extern "C" {
#endif

/* ---- The calibration image -------------------------------------------------------------------------
 *
 * One packed little-endian block, made by the bench. It stays where the caller keeps it (flash): the
 * controller only points at it, reads it in place and never writes to it. So it must not change or go away
 * while it is active. The block must begin at a multiple of 4, or lift_load refuses
 * it (a Cortex-M0 faults on a 32-bit read elsewhere).
 *
 * Its fields, with their legal ranges and meanings, are listed in image_fields.h.
 */
typedef struct {
    uint8_t magic[4];   /* the letters LLCI */
    uint16_t version;   /* LIFT_IMAGE_VERSION */
    uint16_t length;    /* LIFT_IMAGE_BYTES */
    uint32_t crc;       /* CRC-32/ISO-HDLC over the bytes from here to the end */
#define LIFT_FIELD(type, name, least, greatest) type name;
#define LIFT_ROW(type, name, count, least, greatest) type name[count];
#include "image_fields.h"
} lift_image_t;

/* ---- Inputs of one tick ----------------------------------------------------------------------------
 *
 * A value outside its range is cut to it and sets LIFT_FAULT_INPUT (request_reason is cut without the bit;
 * counts are not cut: outside their range they are a sample that is not used), so nothing has to be
 * checked before.
 */
typedef struct {
    int32_t tick;              /* 0..65535, one more than in the tick before, wrapping; checked only */
    int32_t counts;            /* 0..adc_max counts of the height sensor; looked at once a sample */
    int32_t speed;             /* 0..20000 of 0.1 km/h */
    int32_t speed_valid;       /* 0 or not: the source says that the speed is one */
    int32_t engine_speed;      /* 0..32767 rpm */
    int32_t shaft_speed;       /* 0..32767 rpm */
    int32_t armed;             /* 0 or not; counts as off once off for disarm_ticks (L8) */
    int32_t launch;            /* 0 or not; the run begins at the first tick that is armed and launched */
    int32_t request_reduction; /* 0..1000 of 0.1 %: the outside request (R2) */
    int32_t request_retard;    /* 0..1000 of 0.1 degree */
    int32_t request_reason;    /* 16..255: who asks */
} lift_inputs_t;

/* ---- Outputs of one tick ---------------------------------------------------------------------------
 *
 * The first two are what the step commands (lift_acting gives what acts); the rest is for lamps, logs and
 * comparing.
 */
typedef struct {
    int32_t reduction;          /* 0..1000 of 0.1 % of the cylinder events (lift_event works it off) */
    int32_t retard;             /* 0..1000 of 0.1 degree of crank: what the spark is retarded by */
    int32_t reason;             /* 0..255, LIFT_REASON_*: who set the reduction (R3) */
    int32_t askers;             /* LIFT_ASKER_* bits: who asks for anything */
    int32_t faults;             /* LIFT_FAULT_* bits */
    int32_t height;             /* +-32767 of 1/16 mm: the last good height at the sensor */
    int32_t rest;               /* +-32767 of 1/16 mm: height at rest, calibrated or learned */
    int32_t lift;               /* +-32767 of 1/16 mm: lift at the axle, filtered */
    int32_t entry;              /* +-32767 of 1/16 mm: that with the look-ahead, as the maps see it */
    int32_t progress;           /* 0..65535 of 0.1 km/h or ms: the maps' other axis, limited */
    int32_t demand;             /* 0..1000 of 0.1 %: live demand of lift for reduction */
    int32_t latched;            /* 0..1000 of 0.1 %: output of the reduction's latch, before R3 and R4 */
    int32_t state;              /* LIFT_REST..LIFT_FAULT_RELEASE: that latch's state */
    int32_t hold_left;          /* 0..1200000 ticks: rest of its hold */
    int32_t retard_demand;      /* 0..1000 of 0.1 degree: live demand of lift for retard */
    int32_t retard_latched;     /* 0..1000 of 0.1 degree: output of the retard's latch */
    int32_t retard_state;       /* LIFT_REST..LIFT_FAULT_RELEASE: that latch's state */
    int32_t launched;           /* 0 or 1: the run is on */
    int32_t elapsed_ms;         /* 0..65535 ms since launch; stays at 65535 */
    int32_t out_of_sight_ticks; /* 0..65535 ticks out of sight since launch; stays at 65535 (H5) */
} lift_outputs_t;

/* What acts on the engine: one set, never of two ticks. */
typedef struct {
    int32_t reduction; /* 0..1000 of 0.1 % of the cylinder events */
    int32_t retard;    /* 0..1000 of 0.1 degree of crank */
    int32_t reason;    /* 0..255, LIFT_REASON_*: who set the reduction, or LIFT_REASON_SAFE */
} lift_acting_t;

/* ---- State -----------------------------------------------------------------------------------------
 *
 * Plain data, to be looked at in a debugger and changed only by the functions below. Flags are 0 or 1.
 * The invariants of each part stand above its functions, in the header of its own name.
 */

/* Counts to height, and which samples are used: height.c */
typedef struct {
    const lift_image_t *calibration;
    int32_t far;             /* 1/16 mm: greatest height of the sensor's curve */
    int32_t near;            /* 1/16 mm: from here on the nose is near the far end */
    int32_t period_us;       /* us, 500..500000: from sample to sample, no more than matters */
    int32_t rate;            /* 1/16 mm a sample, 1..65534: what waiting adds to the allowance */
    int32_t fall_samples;    /* 1..40 samples for which it adds to it downwards */
    int32_t unasked_fall;    /* 1/16 mm: a larger fall needs agreeing samples */
    int32_t good;            /* 1/16 mm: height of the last sample used */
    int32_t previous;        /* 1/16 mm: height of the last sample inside the window */
    int32_t waited;          /* 0..65535 samples since the good one, all of them not used */
    int32_t gap;             /* 0..65535 samples between the last two good ones */
    int32_t allowance_up;    /* 1/16 mm, 1..65534: greatest rise that is believed now */
    int32_t allowance_down;  /* 1/16 mm, 1..65534: greatest fall that is believed now */
    int32_t agreeing;        /* 0..65535 samples that agree with one another, up to the latest */
    int32_t near_agreeing;   /* 0..65535 of them that are near the far end */
    int32_t bad;             /* 0..confirm_samples: not used counts up, used counts down */
    int32_t healing;         /* 0..heal_samples: samples used in a row while faulted */
    int32_t acquired;        /* flag: a sample was accepted since power-up */
    int32_t used;            /* flag: the latest sample was used */
    int32_t reseed;          /* flag: filters start anew at the latest sample */
    int32_t faulted;         /* flag: the sensor is not believed */
    int32_t fall;            /* flag: because of a fall larger than the allowance */
    int32_t out_of_sight;    /* flag: the nose is beyond the range */
    int32_t jump_from;       /* 1/16 mm: height before a jump that only agreeing samples told of */
    int32_t jump_left;       /* 0..return_samples samples for which that is provisional */
    int32_t jump_agreeing;   /* 0..heal_samples samples that agree near that height */
    int32_t chain;           /* 0..3*return_samples samples in a row that look like a nose at rest */
    int32_t chain_needed;    /* 0..3*return_samples: how many it takes */
    int32_t chain_least;     /* 1/16 mm: lowest of them */
    int32_t chain_greatest;  /* 1/16 mm: highest of them */
    int32_t chain_least_counts;    /* 0..65535 */
    int32_t chain_greatest_counts; /* 0..65535 */
    int32_t stuck;           /* flag: the reading does not move although the car does */
    int32_t stuck_known;     /* flag: stuck_at holds a height */
    int32_t stuck_at;        /* 1/16 mm: middle of the band the reading must leave */
    int32_t stuck_samples;   /* 0..65535 samples within it */
    int32_t trend_count;     /* 0..32 heights in `trend` since the filters started anew */
    int32_t trend_next;      /* 0..31: the oldest of them */
    int16_t trend[LIFT_TREND_SAMPLES]; /* 1/16 mm: the latest good heights */
} lift_height_t;

/* One-pole low-pass: lift.c */
typedef struct {
    int32_t factor;     /* Q12, 1..4096 */
    int32_t value;      /* unit of its input */
    int32_t remainder;  /* +-4095 of 1/4096 of that unit */
} lift_lowpass_t;

/* Height to lift: lift.c */
typedef struct {
    const lift_image_t *calibration;
    int32_t rest;            /* 1/16 mm: rest height, calibrated or learned */
    int32_t moved;           /* flag: `rest` changed, the filters start anew at the next used sample */
    int32_t learn_count;     /* 0..65536 samples in the learning window */
    int32_t learn_first;     /* 1/16 mm: its first height; the next three count from it */
    int32_t learn_sum;       /* 1/16 mm, below 2**30 in size */
    int32_t learn_least;     /* 1/16 mm */
    int32_t learn_greatest;  /* 1/16 mm */
    int32_t latest;          /* 1/16 mm: lift of the last used sample, not filtered */
    int32_t recent[LIFT_MEDIAN_SAMPLES]; /* 1/16 mm: lifts in the median */
    int32_t recent_next;     /* 0..4: the oldest of them */
    lift_lowpass_t lowpass;    /* 1/16 mm: low-pass of the median */
    lift_lowpass_t speed;      /* mm/s, +-100000: low-pass of the lift's speed */
    int32_t value;           /* 1/16 mm: lift, filtered */
    int32_t entry;           /* 1/16 mm: lift with the look-ahead */
} lift_lift_t;

/* How far the run has come: progress.c */
typedef struct {
    const lift_image_t *calibration;
    int32_t previous;        /* 0.1 km/h: speed of the tick before */
    int32_t valid;           /* flag: the speed of this tick is believed */
    int32_t car_speed;       /* 0.1 km/h, 0..20000: the car's speed as far as it is known */
    int32_t airborne;        /* flag: the front wheels turn freely */
    int32_t spin_left;       /* 0..65535 ticks: how long they may still */
    int32_t air_base;        /* 0.1 km/h: speed before take-off */
    int32_t air_curve;       /* 0.1 km/h: the calibrated curve at that time */
    int32_t history[LIFT_LOOKBACK_SLOTS]; /* 0.1 km/h: the car's speed at the last marks */
    int32_t history_next;    /* 0..15: the oldest of them */
    int32_t history_wait;    /* 0..lookback_ticks-1 ticks since the last mark */
    int32_t limited_q12;     /* Q12 of 0.1 km/h or ms: limited progress */
    int32_t value;           /* 0..65535 of 0.1 km/h or ms: the same, rounded */
} lift_progress_t;

/* Look-up in both maps: maps.c */
typedef struct {
    const lift_image_t *calibration;
    int32_t column;          /* 0..15: column at or before the place */
    int32_t across;          /* unit of progress: from there to the place */
    int32_t width;           /* unit of progress, 1..65535: width of the column */
    int32_t right;           /* flag: the next column counts too */
    int32_t reduction;       /* 0..1000 of 0.1 % */
    int32_t retard;          /* 0..1000 of 0.1 degree */
} lift_maps_t;

/* Peak, hold, release: latch.c; units 0.1 % or 0.1 degree */
typedef struct {
    int32_t trigger;         /* 0..1000 */
    int32_t hysteresis;      /* 0..1000 */
    int32_t hold;            /* 0..1200000 ticks */
    int32_t landing;         /* flag: the hold starts when the demand is gone */
    int32_t release;         /* Q16 a tick, 0..1000<<16; 0 in one step */
    int32_t demand;          /* 0..1000: live demand */
    int32_t triggered;       /* flag: the demand is above the trigger */
    int32_t state;           /* LIFT_REST..LIFT_FAULT_RELEASE */
    int32_t output;          /* 0..1000 */
    int32_t hold_left;       /* 0..hold ticks */
    int32_t ramp;            /* Q16, 0..1000<<16: the release under way */
} lift_latch_t;

/* A value that moves no faster than its rates: latch.c */
typedef struct {
    int32_t up;              /* Q16 a tick; 0 in one step */
    int32_t down;            /* Q16 a tick; 0 in one step */
    int32_t carried;         /* Q16, 0..1000<<16 */
    int32_t value;           /* 0..1000: the same, rounded down */
} lift_slope_t;

/* A request made by a curve over the time since launch: requests.c */
typedef struct {
    int32_t points;                 /* 0..16; 0 off */
    const uint16_t *ms;             /* ms since launch */
    const uint16_t *rpm;            /* rpm */
    int32_t after_end;              /* LIFT_HOLD_LAST, LIFT_STOP */
    int32_t hysteresis;             /* rpm */
    int32_t line_points;            /* 1..8 */
    const uint16_t *line;           /* rpm above the curve */
    const uint16_t *line_reduction; /* 0.1 % */
    const uint16_t *line_retard;    /* 0.1 degree */
    int32_t per_tick;               /* rpm a tick, 50..1000: what waiting adds to `reach` */
    int32_t active;                 /* flag: the rotation is above the curve */
    int32_t speed;                  /* 0..32767 rpm: the last one used */
    int32_t reach;                  /* 0..32767 rpm: how far the next may be from it */
    lift_slope_t reduction;           /* 0.1 % */
    lift_slope_t retard;              /* 0.1 degree */
} lift_curve_request_t;

/* What the engine is told: requests.c */
typedef struct {
    int32_t reduction_limit;     /* 0..1000 of 0.1 % */
    int32_t retard_limit;        /* 0..1000 of 0.1 degree */
    int32_t asked_reduction;     /* 0..1000 of 0.1 %: strongest so far in this tick */
    int32_t asked_retard;        /* 0..1000 of 0.1 degree */
    int32_t who;                 /* LIFT_REASON_*: of that reduction */
    int32_t asking;              /* LIFT_ASKER_* bits so far */
    int32_t reduction;           /* 0..1000 of 0.1 %: published */
    int32_t retard;              /* 0..1000 of 0.1 degree: published */
    int32_t reason;              /* 0..255: published */
    int32_t askers;              /* LIFT_ASKER_* bits: published */
    volatile uint32_t acting[2]; /* reduction, retard and reason in 10, 10 and 8 bits; not in the digest */
    volatile uint8_t newest;     /* 0, 1: which of the two acts; only the other one is written */
} lift_command_t;

/* Which cylinder events are skipped: events.c; changed by lift_event only */
typedef struct {
    int32_t cylinders;                /* 1..12; 0 without an image */
    int32_t bits;                     /* LIFT_FUEL_OFF, LIFT_SPARK_OFF or both */
    int32_t integral;                 /* 0..cylinders*16000-1 of 0.1 %: sum of the reductions */
    int8_t place[LIFT_CYLINDERS + 1];   /* place of a cylinder in the firing order from 0; -1 no cylinder */
    int8_t mark[LIFT_CYLINDERS];        /* 0..15, by place: its share of the integral at its last event */
    int8_t skipped[LIFT_CYLINDERS];     /* by place: bits of its present cycle, 0 to fire */
} lift_events_t;

/* One controller: step.c. Where it lies is the caller's business; several may run side by side.
 *
 * Assumptions: lift_load gave LIFT_IMAGE_OK once; lift_step is called at the calibrated tick; lift_event and
 * lift_spark may be called between ticks from an interrupt.
 *
 * Invariants:
 * - equal images and equal inputs give equal states and outputs; nothing else is looked at.
 * - what acts is the command of the last step, but for a safe state since; commands and events share it.
 * - without an active image every output is 0, and `faults` says so.
 * - before launch the lift demand is 0; `launched` ends only by a steady disarm or a reset.
 * - `keeping` is 1 from a fault that began while torque was taken until the fault ends, the run ends, or
 *   nothing is taken any more; `blind` is 1 from a fault that began after launch with less reduction latched
 *   than the blind one until the fault or the run ends.
 * - `keep_left` counts down while `keeping` or out of sight; out of sight it ends in a fault.
 */
typedef struct {
    const lift_image_t *calibration; /* the active image; 0 while there is none */
    int32_t end_lift;              /* 1/16 mm: lift at the sensor's far end */
    int32_t started;               /* flag: a step was made */
    int32_t tick;                  /* 0..65535: number of the last one */
    int32_t sample_wait;           /* 0..sample_ticks-1 ticks until the next sample */
    int32_t armed;                 /* flag */
    int32_t unarmed_ticks;         /* 0..disarm_ticks-1: how long the input has been off */
    int32_t launched;              /* flag: the run is on */
    int32_t elapsed_ms;            /* 0..65535 ms since launch */
    int32_t elapsed_us;            /* 0..999 us above that */
    int32_t failing;               /* LIFT_FAULT_SENSOR, LIFT_FAULT_STUCK: why the height is not believed */
    int32_t fault_at_launch;       /* flag */
    int32_t keeping;               /* flag: a fault keeps what was taken */
    int32_t keep_left;             /* 0..fault_hold_ticks ticks of that, or of out of sight */
    int32_t blind;                 /* flag: a fault began with less taken than the blind reduction */
    int32_t out_of_sight_ticks;    /* 0..65535 ticks since launch */
    int32_t faults;                /* LIFT_FAULT_* bits of the last step */
    lift_height_t height;
    lift_lift_t lift;
    lift_progress_t progress;
    lift_maps_t maps;
    lift_latch_t reduction;
    lift_latch_t retard;
    lift_slope_t blind_slope;        /* 0.1 %: the blind reduction */
    lift_curve_request_t engine;
    lift_curve_request_t shaft;
    lift_command_t command;
    lift_events_t events;
} lift_controller_t;

/* ---- Functions -------------------------------------------------------------------------------------
 *
 * None of them waits, allocates or calls back. "Worst case" counts loop passes and divisions, which no
 * input can exceed. Pointers must not be null.
 *
 * What may interrupt what:
 * - lift_event, lift_spark and lift_acting may interrupt lift_step, lift_safe and lift_outputs at any place.
 *   They see the set of one tick, whole, on machines of 8 bits too: the set that acts is never written.
 * - They must not interrupt lift_init, lift_load, lift_build, lift_reset and lift_digest: lock interrupts
 *   around those.
 *   The link does so by its port's `lock` and `unlock`.
 * - lift_event and lift_spark must not interrupt one another: give them one priority. A lift_acting that is
 *   itself interrupted by lift_step gives the set of the tick before or of this one, never of both, on a
 *   machine that reads 32 bits at once.
 * - All other functions belong to one task (or one interrupt), and do not interrupt one another.
 */

/* A controller as after power-up, without an image: every output 0, faults LIFT_FAULT_NO_IMAGE.
 * Call it before anything else. Worst case: one pass over the state. */
void lift_init(lift_controller_t *ll);

/* Run from an image, starting as after power-up. LIFT_IMAGE_OK, or why it is refused; then nothing changes
 * and the image active before goes on. Checked in this order, the reference's: letters, version, length, CRC,
 * range of each field, order of the parts; only here, before the last: LIFT_IMAGE_PLACE, not at a multiple
 * of 4, or a machine that is not little-endian. `length` counts the bytes at `image`; no byte beyond is
 * read. Worst case: 8 passes a byte for the CRC, some 15000 in all; not for a tick. */
int32_t lift_load(lift_controller_t *ll, const uint8_t *image, size_t length);

/* The second part of lift_load alone, so that interrupts need not be locked for the first: run from an image
 * that lift_image_read (image.h) has accepted. Worst case: one pass over the state. */
void lift_build(lift_controller_t *ll, const lift_image_t *c);

/* As after power-up with the same image (L8). Worst case: one pass over the state. */
void lift_reset(lift_controller_t *ll);

/* One tick. Without an image it does nothing. Worst case: 29 divisions of 32 bits; at most 16 passes for an
 * axis, a curve or a map's column, of which there are 13 at most, and 32 for a history. */
void lift_step(lift_controller_t *ll, const lift_inputs_t *in);

/* The outputs of the last step. Worst case: 20 copies. */
void lift_outputs(const lift_controller_t *ll, lift_outputs_t *out);

/* The inputs have stopped coming: the calibrated safe state acts, on events too, until the next lift_step,
 * lift_reset or lift_load (W3). The outputs and the digest know nothing of it. Without an image it does
 * nothing. Worst case: 2 copies. */
void lift_safe(lift_controller_t *ll);

/* What acts on the engine now, always whole: the command of one step, or the safe state. For whoever puts it
 * out, also in an interrupt. Worst case: 3 copies. */
void lift_acting(const lift_controller_t *ll, lift_acting_t *out);

/* The fuel of a cylinder's next cycle is due: LIFT_FUEL_OFF and LIFT_SPARK_OFF bits for that cycle, 0 to fire
 * (C1). Cylinders count from 1; any other number, or no image, gives 0 and changes nothing.
 * Worst case: 1 division. */
int32_t lift_event(lift_controller_t *ll, int32_t cylinder);

/* The spark of a cylinder's present cycle is due: LIFT_SPARK_OFF or 0, as its event said (C1).
 * Worst case: a look-up. */
int32_t lift_spark(const lift_controller_t *ll, int32_t cylinder);

/* CRC-32/ISO-HDLC over the whole state, field by field as little-endian 32-bit words: equal states give
 * equal digests, and the reference gives the same. For comparing, not for a tick: some 7000 passes. Not
 * while lift_event may interrupt it. */
uint32_t lift_digest(const lift_controller_t *ll);

#ifdef __cplusplus
}
#endif

#endif
