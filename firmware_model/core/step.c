/* The controller: one lift_step a tick, one lift_event a cylinder and engine cycle. Its header is
 * liftlatch.h. */
#include "liftlatch.h"

#include "events.h"
#include "fixed.h"
#include "height.h"
#include "image.h"
#include "latch.h"
#include "lift.h"
#include "maps.h"
#include "progress.h"
#include "requests.h"

#define COUNT_LIMIT INT32_C(65535)

/* The least legal allowance: what a height without an image would start with. */
enum { LEAST_ALLOWANCE = 1 };

void lift_init(lift_controller_t *ll) {
    uint8_t *bytes = (uint8_t *)ll;
    for (size_t i = 0; i < sizeof(*ll); i++) {
        bytes[i] = 0;
    }
    ll->height.allowance_up = LEAST_ALLOWANCE;
    ll->height.allowance_down = LEAST_ALLOWANCE;
    ll->height.faulted = 1;
    ll->lift.moved = 1;
    ll->engine.reach = LIFT_ROTATION_LIMIT;
    ll->shaft.reach = LIFT_ROTATION_LIMIT;
    ll->faults = LIFT_FAULT_NO_IMAGE;
}

void lift_build(lift_controller_t *ll, const lift_image_t *c) {
    ll->calibration = c;
    lift_latch_calibrate(&ll->reduction, c->trigger, c->trigger_hysteresis, (int32_t)c->hold_ticks,
                       c->hold_from, (int32_t)c->release_q16, false);
    lift_latch_calibrate(&ll->retard, c->retard_trigger, c->retard_trigger_hysteresis, (int32_t)c->hold_ticks,
                       c->hold_from, (int32_t)c->retard_release_q16, c->retard_follows == 1);
    lift_slope_calibrate(&ll->blind_slope, (int32_t)c->blind_growth_q16, (int32_t)c->fault_release_q16);
    lift_curve_request_calibrate_curve(&ll->engine, c->engine_points, c->engine_ms, c->engine_rpm,
                                     c->engine_after_end, c->engine_hysteresis, c->tick_us);
    lift_curve_request_calibrate_line(&ll->engine, c->engine_line_points, c->engine_over_rpm,
                                    c->engine_reduction, c->engine_retard);
    lift_slope_calibrate(&ll->engine.reduction, 0, (int32_t)c->engine_release_q16);
    lift_slope_calibrate(&ll->engine.retard, 0, (int32_t)c->engine_retard_release_q16);
    lift_curve_request_calibrate_curve(&ll->shaft, c->shaft_points, c->shaft_ms, c->shaft_rpm,
                                     c->shaft_after_end, c->shaft_hysteresis, c->tick_us);
    lift_curve_request_calibrate_line(&ll->shaft, c->shaft_line_points, c->shaft_over_rpm, c->shaft_reduction,
                                    c->shaft_retard);
    lift_slope_calibrate(&ll->shaft.reduction, 0, (int32_t)c->shaft_release_q16);
    lift_slope_calibrate(&ll->shaft.retard, 0, (int32_t)c->shaft_retard_release_q16);
    lift_command_calibrate(&ll->command, c);
    lift_events_calibrate(&ll->events, c);
    lift_reset(ll);
}

int32_t lift_load(lift_controller_t *ll, const uint8_t *image, size_t length) {
    const lift_image_t *calibration = NULL;
    int32_t verdict = lift_image_read(image, length, &calibration);
    if (verdict == LIFT_IMAGE_OK) {
        lift_build(ll, calibration);
    }
    return verdict;
}

void lift_reset(lift_controller_t *ll) {
    const lift_image_t *c = ll->calibration;
    if (c == NULL) {
        lift_init(ll);
        return;
    }
    lift_height_reset(&ll->height, c);
    lift_lift_reset(&ll->lift, c);
    lift_progress_reset(&ll->progress, c);
    lift_maps_reset(&ll->maps, c);
    lift_latch_reset(&ll->reduction);
    lift_latch_reset(&ll->retard);
    lift_slope_reset(&ll->blind_slope);
    lift_curve_request_reset(&ll->engine);
    lift_curve_request_reset(&ll->shaft);
    lift_command_reset(&ll->command);
    lift_events_reset(&ll->events);
    ll->started = 0;
    ll->tick = 0;
    ll->sample_wait = 0;
    ll->armed = 0;
    ll->unarmed_ticks = 0;
    ll->launched = 0;
    ll->elapsed_ms = 0;
    ll->elapsed_us = 0;
    ll->failing = 0;
    ll->fault_at_launch = 0;
    ll->keeping = 0;
    ll->keep_left = (int32_t)c->fault_hold_ticks;
    ll->blind = 0;
    ll->out_of_sight_ticks = 0;
    ll->faults = 0;
    ll->end_lift = lift_lift_of_height(&ll->lift, lift_height_far_end(&ll->height));
}

static void end_run(lift_controller_t *ll) {
    ll->armed = 0;
    ll->unarmed_ticks = 0;
    ll->launched = 0;
    ll->elapsed_ms = 0;
    ll->elapsed_us = 0;
    ll->fault_at_launch = 0;
    ll->keeping = 0;
    ll->blind = 0;
    lift_height_disarm(&ll->height);
}

/* Arm, disarm and launch (L8), and the time since launch; whether the run begins now. */
static bool watch_run(lift_controller_t *ll, bool armed, bool launch) {
    const lift_image_t *c = ll->calibration;
    if (armed) {
        ll->unarmed_ticks = 0;
        if (!ll->armed) {
            ll->armed = 1;
            lift_lift_forget(&ll->lift);
            ll->end_lift = lift_lift_of_height(&ll->lift, lift_height_far_end(&ll->height));
        }
    } else if (ll->armed) {
        ll->unarmed_ticks += 1;
        if (ll->unarmed_ticks >= c->disarm_ticks) {
            end_run(ll);
        }
    }
    if (ll->launched) {
        ll->elapsed_us += c->tick_us;
        ll->elapsed_ms = lift_min(ll->elapsed_ms + ll->elapsed_us / 1000, LIFT_ELAPSED_LIMIT);
        ll->elapsed_us %= 1000;
    } else if (ll->armed && launch) {
        ll->launched = 1;
        ll->out_of_sight_ticks = 0;
        return true;
    }
    return false;
}

static void take_sample(lift_controller_t *ll, int32_t counts, bool still, bool taking) {
    lift_height_t *height = &ll->height;
    bool falling = ll->lift.speed.value < 0;
    int32_t held = lift_height_sample(height, counts, ll->progress.car_speed, ll->launched == 1, taking,
        ll->lift.rest, falling);
    if (held > 0) {
        /* No hold is longer than 1200000 ticks; the samples are 24576 at most, of 1000 ticks: below 2**25. */
        lift_latch_shorten(&ll->reduction, held * ll->calibration->sample_ticks);
        lift_latch_shorten(&ll->retard, held * ll->calibration->sample_ticks);
    }
    if (!height->used) {
        lift_lift_miss(&ll->lift);
        return;
    }
    if (ll->armed && !ll->launched && lift_lift_learn(&ll->lift, height->good, still)) {
        ll->end_lift = lift_lift_of_height(&ll->lift, lift_height_far_end(height));
    }
    lift_lift_sample(&ll->lift, height->good, height->reseed == 1, height->gap);
}

/* What a fault does that begins or ends at this tick (H5, H6). */
static void watch_faults(lift_controller_t *ll, bool launching, bool taking) {
    const lift_image_t *c = ll->calibration;
    if (ll->height.out_of_sight) {
        if (ll->keep_left > 0) {
            ll->keep_left -= 1;
        } else {
            lift_height_give_up(&ll->height);
        }
    }
    int32_t failing = lift_height_failures(&ll->height, taking);
    if (launching) {
        ll->fault_at_launch = failing ? 1 : 0;
    }
    if ((failing & ~ll->failing) && ll->launched) {
        if (taking) {
            ll->keeping = 1;
        }
        if (ll->reduction.output < c->blind_reduction && !launching) {
            ll->blind = 1;
        }
    }
    if (!failing) {
        ll->blind = 0;
    }
    if (!failing || !taking) {
        ll->keeping = 0;
    }
    if (!ll->keeping && !ll->height.out_of_sight) {
        ll->keep_left = (int32_t)c->fault_hold_ticks;
    }
    ll->failing = failing;
}

/* One tick of both latches, and of the reduction that answers a fault with nothing taken. */
static void take_torque(lift_controller_t *ll) {
    const lift_image_t *c = ll->calibration;
    bool kept = ll->keeping && ll->keep_left > 0;
    if (ll->height.out_of_sight) {
        ll->out_of_sight_ticks = lift_min(ll->out_of_sight_ticks + 1, COUNT_LIMIT);
        lift_maps_look_out_of_sight(&ll->maps, ll->end_lift, ll->progress.value);
        lift_latch_step_out_of_sight(&ll->reduction, ll->maps.reduction);
        lift_latch_step_out_of_sight(&ll->retard, ll->maps.retard);
    } else if (ll->keeping) {
        if (kept) {
            ll->keep_left -= 1;
            lift_latch_keep(&ll->reduction);
            lift_latch_keep(&ll->retard);
        } else {
            lift_latch_let_go(&ll->reduction, (int32_t)c->fault_release_q16);
            lift_latch_let_go(&ll->retard, (int32_t)c->fault_retard_release_q16);
        }
    } else if (ll->launched && !ll->failing) {
        lift_maps_look(&ll->maps, ll->lift.entry, ll->progress.value);
        lift_latch_step(&ll->reduction, ll->maps.reduction);
        lift_latch_step(&ll->retard, ll->maps.retard);
    } else {
        lift_latch_step(&ll->reduction, 0);
        lift_latch_step(&ll->retard, 0);
    }
    if (ll->blind) {
        (void)lift_slope_step(&ll->blind_slope, ll->elapsed_ms < c->blind_until_ms ? c->blind_reduction : 0);
    } else if (!kept) {
        (void)lift_slope_step(&ll->blind_slope, 0); /* else an earlier fault still takes it: kept too */
    }
}

static void command(lift_controller_t *ll, int32_t request_reduction, int32_t request_retard,
                    int32_t request_reason) {
    lift_command_t *to = &ll->command;
    int32_t reason = LIFT_REASON_LIFT;
    if (ll->height.out_of_sight) {
        reason = LIFT_REASON_OUT_OF_SIGHT;
    } else if (ll->keeping) {
        reason = LIFT_REASON_KEPT;
    }
    lift_command_begin(to);
    lift_command_ask(to, ll->reduction.output, ll->retard.output, reason, LIFT_ASKER_LIFT);
    lift_command_ask(to, ll->blind_slope.value, 0, LIFT_REASON_BLIND, LIFT_ASKER_BLIND);
    const lift_curve_request_t *engine = &ll->engine;
    const lift_curve_request_t *shaft = &ll->shaft;
    lift_command_ask(to, engine->reduction.value, engine->retard.value, LIFT_REASON_ENGINE,
        LIFT_ASKER_ENGINE);
    lift_command_ask(to, shaft->reduction.value, shaft->retard.value, LIFT_REASON_SHAFT, LIFT_ASKER_SHAFT);
    if (request_reduction > 0 || request_retard > 0) {
        int32_t who = lift_clamp(request_reason, LIFT_REASON_OUTSIDE_FIRST, LIFT_REASON_OUTSIDE_LAST);
        lift_command_ask(to, request_reduction, request_retard, who, LIFT_ASKER_OUTSIDE);
    }
    lift_command_finish(to);
}

/* The value cut to 0..greatest; sets a fault bit when it lay outside. */
static int32_t legal(int32_t value, int32_t greatest, int32_t *faults) {
    if (value < 0 || value > greatest) {
        *faults |= LIFT_FAULT_INPUT;
    }
    return lift_clamp(value, 0, greatest);
}

void lift_step(lift_controller_t *ll, const lift_inputs_t *in) {
    const lift_image_t *c = ll->calibration;
    if (c == NULL) {
        return;
    }
    int32_t faults = 0;
    if (ll->started && in->tick != ((ll->tick + 1) & LIFT_TICK_NUMBER_MASK)) {
        faults = LIFT_FAULT_TICK;
    }
    ll->started = 1;
    ll->tick = (int32_t)((uint32_t)in->tick & (uint32_t)LIFT_TICK_NUMBER_MASK);

    int32_t counts = in->counts;
    (void)legal(counts, c->adc_max, &faults); /* counts out of range stay as they are: outside every window */
    int32_t speed = legal(in->speed, LIFT_SPEED_LIMIT, &faults);
    int32_t engine_speed = legal(in->engine_speed, LIFT_ROTATION_LIMIT, &faults);
    int32_t shaft_speed = legal(in->shaft_speed, LIFT_ROTATION_LIMIT, &faults);
    int32_t request_reduction = legal(in->request_reduction, LIFT_FULL, &faults);
    int32_t request_retard = legal(in->request_retard, LIFT_FULL, &faults);
    bool speed_valid = in->speed_valid != 0;

    bool launching = watch_run(ll, in->armed != 0, in->launch != 0);
    bool taking = ll->reduction.output > 0 || ll->retard.output > 0;
    if (ll->sample_wait == 0) {
        ll->sample_wait = c->sample_ticks;
        bool still = speed_valid ? speed == 0 : c->progress_axis_kind == LIFT_BY_TIME;
        take_sample(ll, counts, still, taking);
    }
    ll->sample_wait -= 1;
    lift_progress_step(&ll->progress, speed, speed_valid, ll->elapsed_ms, ll->launched == 1, ll->lift.value,
                     ll->height.out_of_sight == 1);

    watch_faults(ll, launching, taking);
    take_torque(ll);
    lift_curve_request_step(&ll->engine, engine_speed, ll->elapsed_ms,
        ll->launched || c->engine_before_launch);
    lift_curve_request_step(&ll->shaft, shaft_speed, ll->elapsed_ms, ll->launched == 1);
    command(ll, request_reduction, request_retard, in->request_reason);

    if (!ll->progress.valid) {
        faults |= LIFT_FAULT_SPEED;
    }
    if (ll->fault_at_launch) {
        faults |= LIFT_FAULT_AT_LAUNCH;
    }
    ll->faults = faults | lift_height_fault_bits(&ll->height);
}

void lift_outputs(const lift_controller_t *ll, lift_outputs_t *out) {
    out->reduction = ll->command.reduction;
    out->retard = ll->command.retard;
    out->reason = ll->command.reason;
    out->askers = ll->command.askers;
    out->faults = ll->faults;
    out->height = ll->height.good;
    out->rest = ll->lift.rest;
    out->lift = ll->lift.value;
    out->entry = ll->lift.entry;
    out->progress = ll->progress.value;
    out->demand = ll->reduction.demand;
    out->latched = ll->reduction.output;
    out->state = ll->reduction.state;
    out->hold_left = ll->reduction.hold_left;
    out->retard_demand = ll->retard.demand;
    out->retard_latched = ll->retard.output;
    out->retard_state = ll->retard.state;
    out->launched = ll->launched;
    out->elapsed_ms = ll->elapsed_ms;
    out->out_of_sight_ticks = ll->out_of_sight_ticks;
}

void lift_safe(lift_controller_t *ll) {
    const lift_image_t *c = ll->calibration;
    if (c != NULL) {
        lift_command_act(&ll->command, c->safe_reduction, c->safe_retard, LIFT_REASON_SAFE);
    }
}

void lift_acting(const lift_controller_t *ll, lift_acting_t *out) {
    lift_command_acting(&ll->command, out);
}

int32_t lift_event(lift_controller_t *ll, int32_t cylinder) {
    if (ll->calibration == NULL) {
        return 0;
    }
    lift_acting_t now;
    lift_command_acting(&ll->command, &now);
    return lift_events_event(&ll->events, cylinder, now.reduction);
}

int32_t lift_spark(const lift_controller_t *ll, int32_t cylinder) {
    if (ll->calibration == NULL) {
        return 0;
    }
    return lift_events_spark(&ll->events, cylinder);
}

uint32_t lift_digest(const lift_controller_t *ll) {
    uint32_t crc = 0xFFFFFFFFU;
    crc = lift_crc32_word(crc, ll->started);
    crc = lift_crc32_word(crc, ll->tick);
    crc = lift_crc32_word(crc, ll->sample_wait);
    crc = lift_crc32_word(crc, ll->armed);
    crc = lift_crc32_word(crc, ll->unarmed_ticks);
    crc = lift_crc32_word(crc, ll->launched);
    crc = lift_crc32_word(crc, ll->elapsed_ms);
    crc = lift_crc32_word(crc, ll->elapsed_us);
    crc = lift_crc32_word(crc, ll->failing);
    crc = lift_crc32_word(crc, ll->fault_at_launch);
    crc = lift_crc32_word(crc, ll->keeping);
    crc = lift_crc32_word(crc, ll->keep_left);
    crc = lift_crc32_word(crc, ll->blind);
    crc = lift_crc32_word(crc, ll->out_of_sight_ticks);
    crc = lift_crc32_word(crc, ll->faults);
    crc = lift_height_digest(&ll->height, crc);
    crc = lift_lift_digest(&ll->lift, crc);
    crc = lift_progress_digest(&ll->progress, crc);
    crc = lift_maps_digest(&ll->maps, crc);
    crc = lift_latch_digest(&ll->reduction, crc);
    crc = lift_latch_digest(&ll->retard, crc);
    crc = lift_slope_digest(&ll->blind_slope, crc);
    crc = lift_curve_request_digest(&ll->engine, crc);
    crc = lift_curve_request_digest(&ll->shaft, crc);
    crc = lift_command_digest(&ll->command, crc);
    return lift_events_digest(&ll->events, crc) ^ 0xFFFFFFFFU;
}
