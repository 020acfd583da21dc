/* How far the run has come: see progress.h. */
#include "progress.h"

#include "fixed.h"

static void fill_history(lift_progress_t *p) {
    for (int32_t i = 0; i < LIFT_LOOKBACK_SLOTS; i++) {
        p->history[i] = p->car_speed;
    }
    p->history_next = 0;
    p->history_wait = 0;
}

void lift_progress_reset(lift_progress_t *p, const lift_image_t *calibration) {
    p->calibration = calibration;
    p->previous = 0;
    p->valid = 0;
    p->car_speed = 0;
    p->airborne = 0;
    p->spin_left = 0;
    p->air_base = 0;
    p->air_curve = 0;
    p->limited_q12 = 0;
    p->value = 0;
    fill_history(p);
}

/* The calibrated speed at a time since launch (P3). */
static int32_t run_speed(const lift_progress_t *p, int32_t elapsed_ms) {
    const lift_image_t *c = p->calibration;
    return lift_interpolate(c->run_ms, c->run_speed, c->run_points, elapsed_ms);
}

/* Whether the front wheels turn freely, so that their speed says nothing (P2). */
static void watch_air(lift_progress_t *p, int32_t elapsed_ms, int32_t lift, bool out_of_sight) {
    const lift_image_t *c = p->calibration;
    if (out_of_sight || lift >= c->air_lift) {
        if (!p->airborne) {
            p->airborne = 1;
            p->air_base = p->history[p->history_next];
            /* 16 marks of 1000 ticks of 10000 us at most: 1.6e8, below 2**28. */
            int32_t age = (LIFT_LOOKBACK_SLOTS - 1) * (int32_t)c->lookback_ticks + p->history_wait + 1;
            p->air_curve = run_speed(p, lift_max(elapsed_ms - age * c->tick_us / 1000, 0));
        }
        p->spin_left = c->spin_up_ticks;
    } else if (p->airborne) {
        if (lift >= (int32_t)c->air_lift - c->air_hysteresis) {
            p->spin_left = c->spin_up_ticks;
        } else if (p->spin_left > 0) {
            p->spin_left -= 1;
        } else {
            p->airborne = 0;
        }
    }
}

static void remember(lift_progress_t *p) {
    p->history_wait += 1;
    if (p->history_wait >= p->calibration->lookback_ticks) {
        p->history_wait = 0;
        p->history[p->history_next] = p->car_speed;
        p->history_next = (p->history_next + 1) & (LIFT_LOOKBACK_SLOTS - 1);
    }
}

void lift_progress_step(lift_progress_t *p, int32_t speed, bool flag, int32_t elapsed_ms, bool launched,
                      int32_t lift, bool out_of_sight) {
    const lift_image_t *c = p->calibration;
    p->valid = flag && lift_abs(speed - p->previous) < c->speed_step ? 1 : 0;
    p->previous = speed;
    if (!launched) {
        p->airborne = 0;
        p->car_speed = p->valid ? speed : 0;
        fill_history(p);
        p->value = c->progress_axis_kind == LIFT_BY_TIME ? elapsed_ms : p->car_speed;
        p->limited_q12 = p->value << 12;
        return;
    }

    if (c->speed_source == LIFT_FRONT_WHEEL_SPEED) {
        watch_air(p, elapsed_ms, lift, out_of_sight);
    }
    if (p->airborne) {
        int32_t ahead = run_speed(p, elapsed_ms) - p->air_curve;
        p->car_speed = lift_clamp(p->air_base + ahead, 0, LIFT_SPEED_LIMIT);
    } else if (p->valid) {
        p->car_speed = speed;
    } else {
        p->car_speed = run_speed(p, elapsed_ms);
    }
    remember(p);

    int32_t target = (c->progress_axis_kind == LIFT_BY_TIME ? elapsed_ms : p->car_speed) << 12;
    /* Progress and rates are 65535 << 12 at most: their sum is below 2**29. */
    if (target > p->limited_q12) {
        p->limited_q12 = lift_min(target, p->limited_q12 + (int32_t)c->progress_up_q12);
    } else {
        p->limited_q12 = lift_max(target, p->limited_q12 - (int32_t)c->progress_down_q12);
    }
    p->value = (p->limited_q12 + 2048) >> 12;
}

uint32_t lift_progress_digest(const lift_progress_t *p, uint32_t crc) {
    crc = lift_crc32_word(crc, p->previous);
    crc = lift_crc32_word(crc, p->valid);
    crc = lift_crc32_word(crc, p->car_speed);
    crc = lift_crc32_word(crc, p->airborne);
    crc = lift_crc32_word(crc, p->spin_left);
    crc = lift_crc32_word(crc, p->air_base);
    crc = lift_crc32_word(crc, p->air_curve);
    for (int32_t i = 0; i < LIFT_LOOKBACK_SLOTS; i++) {
        crc = lift_crc32_word(crc, p->history[i]);
    }
    crc = lift_crc32_word(crc, p->history_next);
    crc = lift_crc32_word(crc, p->history_wait);
    crc = lift_crc32_word(crc, p->limited_q12);
    return lift_crc32_word(crc, p->value);
}
