/* Many ticks in one call, for the host: columns of inputs in, of outputs out. Not part of the core. */
#ifndef LIFT_BATCH_H
#define LIFT_BATCH_H

#include "core/liftlatch.h"

/* One input over all ticks: values[i * stride]; stride 0 for a constant. */
typedef struct {
    const uint16_t *values;
    int64_t stride;
} lift_column_t;

/* One switch over all ticks. */
typedef struct {
    const uint8_t *values;
    int64_t stride;
} lift_switch_t;

/* The inputs of lift_inputs_t over all ticks. */
typedef struct {
    lift_column_t tick;
    lift_column_t counts;
    lift_column_t speed;
    lift_switch_t speed_valid;
    lift_column_t engine;
    lift_column_t shaft;
    lift_switch_t armed;
    lift_switch_t launch;
    lift_column_t request_reduction;
    lift_column_t request_retard;
    lift_column_t request_reason;
} lift_columns_t;

/* The outputs of lift_outputs_t over all ticks. */
typedef struct {
    uint16_t *reduction;
    uint16_t *retard;
    uint8_t *reason;
    uint8_t *askers;
    uint16_t *faults;
    int16_t *height;
    int16_t *rest;
    int16_t *lift;
    int16_t *entry;
    uint16_t *progress;
    uint16_t *demand;
    uint16_t *latched;
    uint8_t *state;
    uint32_t *hold_left;
    uint16_t *retard_demand;
    uint16_t *retard_latched;
    uint8_t *retard_state;
    uint8_t *launched;
    uint16_t *elapsed_ms;
    uint16_t *out_of_sight_ticks;
} lift_results_t;

/* When cylinder events fall due. A cycle takes two turns of the engine, so that an event falls due whenever
 * the sum of rpm * cylinders * tick_us reaches two turns, 120e6; the rest is carried on and none is lost. */
typedef struct {
    int64_t turned; /* 0..119999999 between ticks */
    int32_t place;  /* 0..cylinders-1: the next to fire, in firing order */
} lift_clock_t;

/* The events of a call: after which of its ticks, which cylinder, what its event said. */
typedef struct {
    uint32_t *tick;
    uint8_t *cylinder;
    uint8_t *bits;
    int64_t room;  /* events that fit; there is room for all */
    int64_t count; /* events made */
} lift_events_made_t;

/* Step through `ticks` ticks from the controller's present state. An image must be active. The events of a
 * tick follow its step; `made` may be null, then no events are made and the clock stands still. With `every`
 * above 0 the digest after each `every`-th tick goes to `digests`. */
void lift_batch(lift_controller_t *ll, lift_clock_t *clock, int64_t ticks, const lift_columns_t *in,
              const lift_results_t *out, lift_events_made_t *made, int64_t every, uint32_t *digests);

/* One step with its inputs as numbers, for a caller to whom a struct costs more. */
void lift_step_once(lift_controller_t *ll, int32_t tick, int32_t counts, int32_t speed, int32_t speed_valid,
                  int32_t engine_speed, int32_t shaft_speed, int32_t armed, int32_t launch,
                  int32_t request_reduction, int32_t request_retard, int32_t request_reason);

#endif
