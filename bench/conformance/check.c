/* Holds the core against the conformance set: see check.h. */
#include "check.h"

static bool right(const lift_outputs_t *is, const conformance_output_t *due) {
    return is->reduction == due->reduction && is->retard == due->retard && is->reason == due->reason &&
           is->askers == due->askers && is->faults == due->faults && is->height == due->height &&
           is->rest == due->rest && is->lift == due->lift && is->entry == due->entry &&
           is->progress == due->progress && is->demand == due->demand && is->latched == due->latched &&
           is->state == due->state && is->hold_left == (int32_t)due->hold_left &&
           is->retard_demand == due->retard_demand && is->retard_latched == due->retard_latched &&
           is->retard_state == due->retard_state && is->launched == due->launched &&
           is->elapsed_ms == due->elapsed_ms && is->out_of_sight_ticks == due->out_of_sight_ticks;
}

static lift_inputs_t inputs_of(const conformance_input_t *now) {
    lift_inputs_t in = {
        .tick = now->tick,
        .counts = now->counts,
        .speed = now->speed,
        .speed_valid = now->switches & 1,
        .engine_speed = now->engine,
        .shaft_speed = now->shaft,
        .armed = now->switches >> 1 & 1,
        .launch = now->switches >> 2 & 1,
        .request_reduction = now->request_reduction,
        .request_retard = now->request_retard,
        .request_reason = now->request_reason,
    };
    return in;
}

/* Most of a case, and whatever state it leaves behind. */
static void begin_somewhere(lift_controller_t *ll, const conformance_case_t *c) {
    for (int32_t i = 0; i < c->ticks * 3 / 4; i++) {
        lift_inputs_t in = inputs_of(&c->inputs[i]);
        lift_step(ll, &in);
        (void)lift_event(ll, i % LIFT_CYLINDERS + 1);
    }
}

/* As after power-up: nothing is commanded, nothing acts, nothing was skipped. */
static bool fresh(lift_controller_t *ll) {
    lift_outputs_t out;
    lift_acting_t now;
    lift_outputs(ll, &out);
    lift_acting(ll, &now);
    int32_t sparks = 0;
    for (int32_t cylinder = 1; cylinder <= LIFT_CYLINDERS; cylinder++) {
        sparks |= lift_spark(ll, cylinder);
    }
    return out.reduction == 0 && out.retard == 0 && out.reason == 0 && out.faults == 0 && out.launched == 0 &&
           out.state == LIFT_REST && out.hold_left == 0 && out.elapsed_ms == 0 && out.latched == 0 &&
           out.demand == 0 && out.entry == 0 && out.lift == 0 && now.reduction == 0 && now.retard == 0 &&
           now.reason == 0 && sparks == 0;
}

int32_t conformance_case(lift_controller_t *ll, const conformance_case_t *c) {
    if (lift_load(ll, c->image, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) {
        return -2;
    }
    begin_somewhere(ll, c);
    if ((c->ticks & 1) != 0) {
        lift_reset(ll);
    } else if (lift_load(ll, c->image, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) {
        return -2;
    }
    if (!fresh(ll)) {
        return 0;
    }
    const lift_image_t *image = (const lift_image_t *)(const void *)c->image;
    int32_t place = 0;
    int32_t event = 0;
    for (int32_t i = 0; i < c->ticks; i++) {
        lift_inputs_t in = inputs_of(&c->inputs[i]);
        lift_outputs_t out;
        lift_acting_t acting;
        lift_step(ll, &in);
        lift_outputs(ll, &out);
        lift_acting(ll, &acting);
        if (!right(&out, &c->outputs[i]) || acting.reduction != out.reduction || acting.retard != out.retard ||
            acting.reason != out.reason) {
            return i;
        }
        for (int32_t due = c->inputs[i].events; due > 0; due--) {
            int32_t cylinder = image->firing_order[place];
            place = place + 1 < image->cylinders ? place + 1 : 0;
            int32_t bits = lift_event(ll, cylinder);
            bits |= lift_spark(ll, cylinder) ? 4 : 0;
            if (bits != c->events[event]) {
                return i;
            }
            event += 1;
        }
    }
    return -1;
}

/* At a multiple of 4, as an image must be. */
static union {
    uint32_t place[1];
    uint8_t bytes[LIFT_IMAGE_BYTES + 4];
} changed;

static void copy(const uint8_t *image, int32_t to) {
    for (int32_t i = 0; i < LIFT_IMAGE_BYTES; i++) {
        changed.bytes[to + i] = image[i];
    }
}

bool conformance_image(lift_controller_t *ll, const uint8_t *first, const conformance_image_t *image) {
    copy(first, 0);
    for (int32_t i = 0; i < image->count; i++) {
        changed.bytes[image->bytes[i].at] = image->bytes[i].value;
    }
    return lift_load(ll, changed.bytes, image->length) == image->verdict;
}

static bool idle(lift_controller_t *ll) {
    lift_outputs_t out;
    lift_acting_t now;
    lift_outputs(ll, &out);
    lift_acting(ll, &now);
    return out.reduction == 0 && out.retard == 0 && out.reason == 0 && out.launched == 0 &&
           now.reduction == 0 && now.retard == 0 && now.reason == 0 && lift_spark(ll, 1) == 0 &&
           lift_event(ll, 1) == 0 && lift_spark(ll, 1) == 0;
}

static bool without_image(lift_controller_t *ll) {
    lift_outputs_t out;
    lift_inputs_t in = {.armed = 1, .launch = 1, .request_reduction = 500, .request_reason = 20};
    lift_step(ll, &in);
    lift_safe(ll);
    lift_outputs(ll, &out);
    return out.faults == LIFT_FAULT_NO_IMAGE && idle(ll);
}

int32_t conformance_calls(lift_controller_t *ll, const uint8_t *image) {
    const lift_image_t *c = (const lift_image_t *)(const void *)image;
    for (size_t i = 0; i < sizeof(*ll); i++) {
        ((uint8_t *)ll)[i] = 0x5A;
    }
    lift_init(ll);
    if (!without_image(ll)) {
        return 1;
    }
    lift_reset(ll);
    if (!without_image(ll)) {
        return 2;
    }
    for (int32_t place = 1; place < 4; place++) {
        copy(image, place);
        if (lift_load(ll, changed.bytes + place, LIFT_IMAGE_BYTES) != LIFT_IMAGE_PLACE || !idle(ll)) {
            return 3;
        }
    }
    if (lift_load(ll, image, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK || !idle(ll)) {
        return 4;
    }
    /* In the safe state each cylinder skips by what acts; a number that is no cylinder changes nothing. */
    lift_safe(ll);
    lift_acting_t now;
    lift_acting(ll, &now);
    if (now.reduction != c->safe_reduction || now.retard != c->safe_retard || now.reason != LIFT_REASON_SAFE) {
        return 5;
    }
    int32_t skipped = 0;
    for (int32_t i = 0; i < 41 * c->cylinders; i++) {
        int32_t bits = lift_event(ll, c->firing_order[i % c->cylinders]);
        if ((bits & LIFT_SPARK_OFF) != lift_spark(ll, c->firing_order[i % c->cylinders])) {
            return 6;
        }
        skipped += bits && i >= c->cylinders ? 1 : 0; /* C2 counts from the second cycle on */
        for (int32_t none = c->cylinders + 1; none <= LIFT_CYLINDERS + 2; none++) {
            if (lift_event(ll, none) != 0 || lift_spark(ll, none) != 0 || lift_event(ll, 0) != 0 ||
                lift_spark(ll, 0) != 0 || lift_event(ll, -1) != 0 || lift_spark(ll, -none) != 0) {
                return 7;
            }
        }
    }
    int32_t due = 40 * c->cylinders * (int32_t)c->safe_reduction / LIFT_FULL;
    if (skipped < due - 4 || skipped > due + 4) {
        return 8;
    }
    lift_outputs_t out;
    lift_outputs(ll, &out);
    if (out.reduction != 0 || out.retard != 0 || out.reason != 0) {
        return 9;
    }
    lift_reset(ll);
    if (!idle(ll)) {
        return 10;
    }
    lift_inputs_t in = {.speed = -1}; /* below its range, as no line can send it */
    lift_step(ll, &in);
    lift_outputs(ll, &out);
    return (out.faults & LIFT_FAULT_INPUT) != 0 ? 0 : 11;
}
