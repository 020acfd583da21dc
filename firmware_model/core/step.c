/* The controller: one ll_step a tick, one ll_event a cylinder and engine cycle. Its header is liftlatch.h. */
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

enum { COUNT_LIMIT = 65535 };

/* The least legal allowance: what a height without an image would start with. */
enum { LEAST_ALLOWANCE = 1 };

void ll_init(ll_controller_t *ll) {
    uint8_t *bytes = (uint8_t *)ll;
    for (size_t i = 0; i < sizeof(*ll); i++) {
        bytes[i] = 0;
    }
    ll->height.allowance_up = LEAST_ALLOWANCE;
    ll->height.allowance_down = LEAST_ALLOWANCE;
    ll->height.faulted = 1;
    ll->lift.moved = 1;
    ll->faults = LL_FAULT_NO_IMAGE;
}

static void build(ll_controller_t *ll, const ll_image_t *c) {
    ll->calibration = c;
    ll_latch_calibrate(&ll->reduction, c->trigger, c->trigger_hysteresis, (int32_t)c->hold_ticks,
                       c->hold_from, (int32_t)c->release_q16, false);
    ll_latch_calibrate(&ll->retard, c->retard_trigger, c->retard_trigger_hysteresis, (int32_t)c->hold_ticks,
                       c->hold_from, (int32_t)c->retard_release_q16, c->retard_follows == 1);
    ll_slope_calibrate(&ll->blind_slope, (int32_t)c->blind_growth_q16, (int32_t)c->fault_release_q16);
    ll_curve_request_calibrate_curve(&ll->engine, c->engine_points, c->engine_ms, c->engine_rpm,
                                     c->engine_after_end, c->engine_hysteresis);
    ll_curve_request_calibrate_line(&ll->engine, c->engine_line_points, c->engine_over_rpm,
                                    c->engine_reduction, c->engine_retard);
    ll_slope_calibrate(&ll->engine.reduction, 0, (int32_t)c->engine_release_q16);
    ll_slope_calibrate(&ll->engine.retard, 0, (int32_t)c->engine_retard_release_q16);
    ll_curve_request_calibrate_curve(&ll->shaft, c->shaft_points, c->shaft_ms, c->shaft_rpm,
                                     c->shaft_after_end, c->shaft_hysteresis);
    ll_curve_request_calibrate_line(&ll->shaft, c->shaft_line_points, c->shaft_over_rpm, c->shaft_reduction,
                                    c->shaft_retard);
    ll_slope_calibrate(&ll->shaft.reduction, 0, (int32_t)c->shaft_release_q16);
    ll_slope_calibrate(&ll->shaft.retard, 0, (int32_t)c->shaft_retard_release_q16);
    ll_command_calibrate(&ll->command, c);
    ll_events_calibrate(&ll->events, c);
    ll_reset(ll);
}

int32_t ll_load(ll_controller_t *ll, const uint8_t *image, size_t length) {
    const ll_image_t *calibration = NULL;
    int32_t verdict = ll_image_read(image, length, &calibration);
    if (verdict == LL_IMAGE_OK) {
        build(ll, calibration);
    }
    return verdict;
}

void ll_reset(ll_controller_t *ll) {
    const ll_image_t *c = ll->calibration;
    if (c == NULL) {
        ll_init(ll);
        return;
    }
    ll_height_reset(&ll->height, c);
    ll_lift_reset(&ll->lift, c);
    ll_progress_reset(&ll->progress, c);
    ll_maps_reset(&ll->maps, c);
    ll_latch_reset(&ll->reduction);
    ll_latch_reset(&ll->retard);
    ll_slope_reset(&ll->blind_slope);
    ll_curve_request_reset(&ll->engine);
    ll_curve_request_reset(&ll->shaft);
    ll_command_reset(&ll->command);
    ll_events_reset(&ll->events);
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
    ll->keep_left = 0;
    ll->blind = 0;
    ll->out_of_sight_ticks = 0;
    ll->faults = 0;
    ll->end_lift = ll_lift_of_height(&ll->lift, ll_height_far_end(&ll->height));
}

static void end_run(ll_controller_t *ll) {
    ll->armed = 0;
    ll->unarmed_ticks = 0;
    ll->launched = 0;
    ll->elapsed_ms = 0;
    ll->elapsed_us = 0;
    ll->fault_at_launch = 0;
    ll->keeping = 0;
    ll->blind = 0;
    ll_height_disarm(&ll->height);
}

/* Arm, disarm and launch (L8), and the time since launch; whether the run begins now. */
static bool watch_run(ll_controller_t *ll, bool armed, bool launch) {
    const ll_image_t *c = ll->calibration;
    if (armed) {
        ll->unarmed_ticks = 0;
        if (!ll->armed) {
            ll->armed = 1;
            ll_lift_forget(&ll->lift);
            ll->end_lift = ll_lift_of_height(&ll->lift, ll_height_far_end(&ll->height));
        }
    } else if (ll->armed) {
        ll->unarmed_ticks += 1;
        if (ll->unarmed_ticks >= c->disarm_ticks) {
            end_run(ll);
        }
    }
    if (ll->launched) {
        ll->elapsed_us += c->tick_us;
        ll->elapsed_ms = ll_min(ll->elapsed_ms + ll->elapsed_us / 1000, LL_ELAPSED_LIMIT);
        ll->elapsed_us %= 1000;
    } else if (ll->armed && launch) {
        ll->launched = 1;
        ll->out_of_sight_ticks = 0;
        return true;
    }
    return false;
}

static void take_sample(ll_controller_t *ll, int32_t counts, bool still, bool taking) {
    ll_height_t *height = &ll->height;
    ll_height_sample(height, counts, ll->progress.car_speed, ll->launched == 1, taking);
    if (!height->used) {
        ll_lift_miss(&ll->lift);
        return;
    }
    if (ll->armed && !ll->launched && ll_lift_learn(&ll->lift, height->good, still)) {
        ll->end_lift = ll_lift_of_height(&ll->lift, ll_height_far_end(height));
    }
    ll_lift_sample(&ll->lift, height->good, height->reseed == 1, height->gap);
}

/* What a fault does that begins or ends at this tick (H6). */
static void watch_faults(ll_controller_t *ll, bool launching, bool taking) {
    int32_t failing = ll_height_failures(&ll->height, taking);
    if (launching) {
        ll->fault_at_launch = failing ? 1 : 0;
    }
    if ((failing & ~ll->failing) && ll->launched) {
        if (taking) {
            ll->keeping = 1;
            ll->keep_left = (int32_t)ll->calibration->fault_hold_ticks;
        }
        if (!ll->reduction.output && !launching) {
            ll->blind = 1;
        }
    }
    if (!failing) {
        ll->blind = 0;
    }
    if (!failing || !taking) {
        ll->keeping = 0;
    }
    ll->failing = failing;
}

/* One tick of both latches, and of the reduction that answers a fault with nothing taken. */
static void take_torque(ll_controller_t *ll) {
    const ll_image_t *c = ll->calibration;
    bool kept = ll->keeping && ll->keep_left > 0;
    if (ll->height.out_of_sight) {
        ll->out_of_sight_ticks = ll_min(ll->out_of_sight_ticks + 1, COUNT_LIMIT);
        ll_maps_look_out_of_sight(&ll->maps, ll->end_lift, ll->progress.value);
        ll_latch_step_out_of_sight(&ll->reduction, ll->maps.reduction);
        ll_latch_step_out_of_sight(&ll->retard, ll->maps.retard);
    } else if (ll->keeping) {
        if (kept) {
            ll->keep_left -= 1;
            ll_latch_keep(&ll->reduction);
            ll_latch_keep(&ll->retard);
        } else {
            ll_latch_let_go(&ll->reduction, (int32_t)c->fault_release_q16);
            ll_latch_let_go(&ll->retard, (int32_t)c->fault_retard_release_q16);
        }
    } else if (ll->launched && !ll->failing) {
        ll_maps_look(&ll->maps, ll->lift.entry, ll->progress.value);
        ll_latch_step(&ll->reduction, ll->maps.reduction);
        ll_latch_step(&ll->retard, ll->maps.retard);
    } else {
        ll_latch_step(&ll->reduction, 0);
        ll_latch_step(&ll->retard, 0);
    }
    if (ll->blind) {
        ll_slope_step(&ll->blind_slope, ll->elapsed_ms < c->blind_until_ms ? c->blind_reduction : 0);
    } else if (!kept) {
        ll_slope_step(&ll->blind_slope, 0); /* else an earlier fault still takes it: kept too */
    }
}

static void command(ll_controller_t *ll, int32_t request_reduction, int32_t request_retard,
                    int32_t request_reason) {
    ll_command_t *to = &ll->command;
    int32_t reason = LL_REASON_LIFT;
    if (ll->height.out_of_sight) {
        reason = LL_REASON_OUT_OF_SIGHT;
    } else if (ll->keeping) {
        reason = LL_REASON_KEPT;
    }
    ll_command_begin(to);
    ll_command_ask(to, ll->reduction.output, ll->retard.output, reason, LL_ASKER_LIFT);
    ll_command_ask(to, ll->blind_slope.value, 0, LL_REASON_BLIND, LL_ASKER_BLIND);
    const ll_curve_request_t *engine = &ll->engine;
    const ll_curve_request_t *shaft = &ll->shaft;
    ll_command_ask(to, engine->reduction.value, engine->retard.value, LL_REASON_ENGINE, LL_ASKER_ENGINE);
    ll_command_ask(to, shaft->reduction.value, shaft->retard.value, LL_REASON_SHAFT, LL_ASKER_SHAFT);
    if (request_reduction > 0 || request_retard > 0) {
        int32_t who = ll_clamp(request_reason, LL_REASON_OUTSIDE_FIRST, LL_REASON_OUTSIDE_LAST);
        ll_command_ask(to, request_reduction, request_retard, who, LL_ASKER_OUTSIDE);
    }
    ll_command_finish(to);
}

/* The value cut to 0..greatest; sets a fault bit when it lay outside. */
static int32_t legal(int32_t value, int32_t greatest, int32_t *faults) {
    if (value < 0 || value > greatest) {
        *faults |= LL_FAULT_INPUT;
    }
    return ll_clamp(value, 0, greatest);
}

void ll_step(ll_controller_t *ll, const ll_inputs_t *in) {
    const ll_image_t *c = ll->calibration;
    if (c == NULL) {
        return;
    }
    int32_t faults = 0;
    if (ll->started && in->tick != ((ll->tick + 1) & LL_TICK_NUMBER_MASK)) {
        faults = LL_FAULT_TICK;
    }
    ll->started = 1;
    ll->tick = (int32_t)((uint32_t)in->tick & (uint32_t)LL_TICK_NUMBER_MASK);

    int32_t counts = in->counts;
    (void)legal(counts, c->adc_max, &faults); /* counts out of range stay as they are: outside every window */
    int32_t speed = legal(in->speed, LL_SPEED_LIMIT, &faults);
    int32_t engine_speed = legal(in->engine_speed, LL_ROTATION_LIMIT, &faults);
    int32_t shaft_speed = legal(in->shaft_speed, LL_ROTATION_LIMIT, &faults);
    int32_t request_reduction = legal(in->request_reduction, LL_FULL, &faults);
    int32_t request_retard = legal(in->request_retard, LL_FULL, &faults);
    bool speed_valid = in->speed_valid != 0;

    bool launching = watch_run(ll, in->armed != 0, in->launch != 0);
    bool taking = ll->reduction.output > 0 || ll->retard.output > 0;
    if (ll->sample_wait == 0) {
        ll->sample_wait = c->sample_ticks;
        bool still = speed_valid ? speed == 0 : c->progress_axis_kind == LL_BY_TIME;
        take_sample(ll, counts, still, taking);
    }
    ll->sample_wait -= 1;
    ll_progress_step(&ll->progress, speed, speed_valid, ll->elapsed_ms, ll->launched == 1, ll->lift.value,
                     ll->height.out_of_sight == 1);

    watch_faults(ll, launching, taking);
    take_torque(ll);
    ll_curve_request_step(&ll->engine, engine_speed, ll->elapsed_ms, ll->launched || c->engine_before_launch);
    ll_curve_request_step(&ll->shaft, shaft_speed, ll->elapsed_ms, ll->launched == 1);
    command(ll, request_reduction, request_retard, in->request_reason);

    if (!ll->progress.valid) {
        faults |= LL_FAULT_SPEED;
    }
    if (ll->fault_at_launch) {
        faults |= LL_FAULT_AT_LAUNCH;
    }
    ll->faults = faults | ll_height_fault_bits(&ll->height);
}

void ll_outputs(const ll_controller_t *ll, ll_outputs_t *out) {
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

int32_t ll_event(ll_controller_t *ll, int32_t cylinder) {
    if (ll->calibration == NULL) {
        return 0;
    }
    return ll_events_event(&ll->events, cylinder, ll->command.reduction);
}

int32_t ll_spark(const ll_controller_t *ll, int32_t cylinder) {
    if (ll->calibration == NULL) {
        return 0;
    }
    return ll_events_spark(&ll->events, cylinder);
}

uint32_t ll_digest(const ll_controller_t *ll) {
    uint32_t crc = 0xFFFFFFFFU;
    crc = ll_crc32_word(crc, ll->started);
    crc = ll_crc32_word(crc, ll->tick);
    crc = ll_crc32_word(crc, ll->sample_wait);
    crc = ll_crc32_word(crc, ll->armed);
    crc = ll_crc32_word(crc, ll->unarmed_ticks);
    crc = ll_crc32_word(crc, ll->launched);
    crc = ll_crc32_word(crc, ll->elapsed_ms);
    crc = ll_crc32_word(crc, ll->elapsed_us);
    crc = ll_crc32_word(crc, ll->failing);
    crc = ll_crc32_word(crc, ll->fault_at_launch);
    crc = ll_crc32_word(crc, ll->keeping);
    crc = ll_crc32_word(crc, ll->keep_left);
    crc = ll_crc32_word(crc, ll->blind);
    crc = ll_crc32_word(crc, ll->out_of_sight_ticks);
    crc = ll_crc32_word(crc, ll->faults);
    crc = ll_height_digest(&ll->height, crc);
    crc = ll_lift_digest(&ll->lift, crc);
    crc = ll_progress_digest(&ll->progress, crc);
    crc = ll_maps_digest(&ll->maps, crc);
    crc = ll_latch_digest(&ll->reduction, crc);
    crc = ll_latch_digest(&ll->retard, crc);
    crc = ll_slope_digest(&ll->blind_slope, crc);
    crc = ll_curve_request_digest(&ll->engine, crc);
    crc = ll_curve_request_digest(&ll->shaft, crc);
    crc = ll_command_digest(&ll->command, crc);
    return ll_events_digest(&ll->events, crc) ^ 0xFFFFFFFFU;
}
