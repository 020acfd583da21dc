/* The conformance set's data, and the functions that hold the core against it. */
#ifndef LIFT_CONFORMANCE_CHECK_H
#define LIFT_CONFORMANCE_CHECK_H

#include "liftlatch.h"

/* switches: bit 0 speed valid, 1 armed, 2 launch. events: how many cylinder events fall due after the step,
 * going on in firing order. */
typedef struct {
    uint16_t tick, counts, speed, engine, shaft, request_reduction, request_retard, request_reason;
    uint8_t switches, events;
} conformance_input_t;

/* As lift_outputs_t, in fewer bytes. */
typedef struct {
    uint32_t hold_left;
    int16_t height, rest, lift, entry;
    uint16_t progress, demand, latched, retard_demand, retard_latched, reduction, retard, faults;
    uint16_t out_of_sight_ticks, elapsed_ms;
    uint8_t state, retard_state, reason, askers, launched;
} conformance_output_t;

/* events: one byte each, in order: what lift_event gave, and 4 where lift_spark right after gave anything. */
typedef struct {
    const uint8_t *image;
    int32_t ticks;
    const conformance_input_t *inputs;
    const conformance_output_t *outputs;
    const uint8_t *events;
} conformance_case_t;

/* An image that differs from the first case's in some bytes, and the verdict on it. */
typedef struct {
    uint16_t at;
    uint8_t value;
} conformance_byte_t;

typedef struct {
    const conformance_byte_t *bytes;
    int32_t count;
    uint16_t length;
    uint8_t verdict;
} conformance_image_t;

/* A case from its image on: -1, or the tick after whose step an output or an event is wrong; -2: the image
 * is refused. Most of it is run beforehand, so that a reset or a load in the middle of a run is tried too, which a
 * device on a line refuses. */
int32_t conformance_case(lift_controller_t *ll, const conformance_case_t *c);

/* Whether the verdict on a changed image is right. */
bool conformance_image(lift_controller_t *ll, const uint8_t *first, const conformance_image_t *image);

/* What no line can ask: without an image, with one at a wrong place, with cylinders that are none, and the
 * safe state. 0, or the number of the first that is wrong. */
int32_t conformance_calls(lift_controller_t *ll, const uint8_t *image);

#endif
