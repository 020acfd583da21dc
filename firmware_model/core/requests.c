/* Requests other than lift, and the strongest of all: see requests.h. */
#include "requests.h"

#include "fixed.h"
#include "latch.h"

/* A set that acts, in one word. */
enum { RETARD_AT = 10, REASON_AT = 20, VALUE_MASK = 0x3FF };

void lift_curve_request_calibrate_curve(lift_curve_request_t *r, int32_t points, const uint16_t *ms,
                                      const uint16_t *rpm, int32_t after_end, int32_t hysteresis,
                                      int32_t tick_us) {
    r->per_tick = LIFT_RPM_PER_MS * tick_us / 1000;
    r->points = points;
    r->ms = ms;
    r->rpm = rpm;
    r->after_end = after_end;
    r->hysteresis = hysteresis;
}

void lift_curve_request_calibrate_line(lift_curve_request_t *r, int32_t points, const uint16_t *over_rpm,
                                     const uint16_t *reduction, const uint16_t *retard) {
    r->line_points = points;
    r->line = over_rpm;
    r->line_reduction = reduction;
    r->line_retard = retard;
}

void lift_curve_request_reset(lift_curve_request_t *r) {
    r->active = 0;
    r->speed = 0;
    r->reach = LIFT_ROTATION_LIMIT; /* the first speed is used, whatever it is */
    lift_slope_reset(&r->reduction);
    lift_slope_reset(&r->retard);
}

void lift_curve_request_step(lift_curve_request_t *r, int32_t rpm, int32_t elapsed_ms, bool running) {
    if (r->points == 0) {
        return;
    }
    r->reach = lift_min(r->reach + r->per_tick, LIFT_ROTATION_LIMIT);
    if (lift_abs(rpm - r->speed) <= r->reach) {
        r->speed = rpm;
        r->reach = 0;
    }
    int32_t reduction = 0;
    int32_t retard = 0;
    bool ended = r->after_end == LIFT_STOP && elapsed_ms > r->ms[r->points - 1];
    if (running && !ended) {
        int32_t over = r->speed - lift_interpolate(r->ms, r->rpm, r->points, elapsed_ms);
        r->active = over > 0 || (r->active && over >= -r->hysteresis) ? 1 : 0;
        if (r->active) {
            reduction = lift_interpolate(r->line, r->line_reduction, r->line_points, over);
            retard = lift_interpolate(r->line, r->line_retard, r->line_points, over);
        }
    } else {
        r->active = 0;
    }
    (void)lift_slope_step(&r->reduction, reduction);
    (void)lift_slope_step(&r->retard, retard);
}

uint32_t lift_curve_request_digest(const lift_curve_request_t *r, uint32_t crc) {
    crc = lift_crc32_word(crc, r->active);
    crc = lift_crc32_word(crc, r->speed);
    crc = lift_crc32_word(crc, r->reach);
    return lift_slope_digest(&r->retard, lift_slope_digest(&r->reduction, crc));
}

void lift_command_calibrate(lift_command_t *c, const lift_image_t *calibration) {
    c->reduction_limit = calibration->reduction_limit;
    c->retard_limit = calibration->retard_limit;
}

void lift_command_reset(lift_command_t *c) {
    lift_command_begin(c);
    lift_command_finish(c);
}

void lift_command_begin(lift_command_t *c) {
    c->asked_reduction = 0;
    c->asked_retard = 0;
    c->who = LIFT_REASON_NONE;
    c->asking = 0;
}

void lift_command_ask(lift_command_t *c, int32_t reduction, int32_t retard, int32_t reason, int32_t asker) {
    if (reduction > c->asked_reduction) {
        c->asked_reduction = reduction;
        c->who = reason;
    }
    c->asked_retard = lift_max(c->asked_retard, retard);
    if (reduction > 0 || retard > 0) {
        c->asking |= asker;
    }
}

void lift_command_finish(lift_command_t *c) {
    c->reduction = lift_min(c->asked_reduction, c->reduction_limit);
    c->retard = lift_min(c->asked_retard, c->retard_limit);
    c->reason = c->who;
    c->askers = c->asking;
    lift_command_act(c, c->reduction, c->retard, c->reason);
}

void lift_command_act(lift_command_t *c, int32_t reduction, int32_t retard, int32_t reason) {
    uint8_t other = c->newest == 0U ? 1U : 0U;
    c->acting[other] = (uint32_t)reduction | (uint32_t)retard << RETARD_AT | (uint32_t)reason << REASON_AT;
    c->newest = other;
}

void lift_command_acting(const lift_command_t *c, lift_acting_t *out) {
    uint32_t set = c->acting[c->newest];
    out->reduction = (int32_t)(set & VALUE_MASK);
    out->retard = (int32_t)(set >> RETARD_AT & VALUE_MASK);
    out->reason = (int32_t)(set >> REASON_AT);
}

uint32_t lift_command_digest(const lift_command_t *c, uint32_t crc) {
    crc = lift_crc32_word(crc, c->reduction);
    crc = lift_crc32_word(crc, c->retard);
    crc = lift_crc32_word(crc, c->reason);
    return lift_crc32_word(crc, c->askers);
}
