/* Peak, hold, release, and a value that falls no faster than a rate: see latch.h. */
#include "latch.h"

#include "fixed.h"

void lift_latch_calibrate(lift_latch_t *l, int32_t trigger, int32_t hysteresis, int32_t hold,
    int32_t hold_from,
                        int32_t release_q16, bool follows) {
    l->trigger = follows ? 0 : trigger;
    l->hysteresis = hysteresis;
    l->hold = follows ? 0 : hold;
    l->landing = hold_from == LIFT_FROM_LANDING && !follows ? 1 : 0;
    l->release = release_q16;
}

static void rest(lift_latch_t *l) {
    l->state = LIFT_REST;
    l->output = 0;
    l->hold_left = 0;
    l->ramp = 0;
}

void lift_latch_reset(lift_latch_t *l) {
    l->demand = 0;
    l->triggered = 0;
    rest(l);
}

static void lower(lift_latch_t *l, int32_t rate, int32_t demand) {
    l->ramp = 0 < rate && rate < l->ramp ? l->ramp - rate : 0;
    l->output = lift_max(l->ramp >> 16, demand);
    l->ramp = lift_max(l->ramp, demand << 16); /* the rate is counted from the value followed (L4) */
    if (l->output == 0) {
        rest(l);
    }
}

void lift_latch_shorten(lift_latch_t *l, int32_t ticks) {
    l->hold_left = lift_max(l->hold_left - ticks, 0);
}

static void follow(lift_latch_t *l, int32_t demand) {
    if (l->state == LIFT_KEPT) {
        l->state = LIFT_HOLD; /* the fault is over: what was kept is held for the rest of the hold (H6) */
    } else if (l->state == LIFT_FAULT_RELEASE) {
        l->state = LIFT_RELEASE;
    }

    bool holding = l->state == LIFT_PEAK || l->state == LIFT_HOLD;
    if (demand > l->output || (holding && demand == l->output)) {
        l->state = LIFT_PEAK;
        l->output = demand;
        l->hold_left = l->hold;
        return;
    }
    if (holding) {
        if (l->landing && demand > 0) {
            l->state = LIFT_HOLD;
            l->hold_left = l->hold;
            return;
        }
        if (l->hold_left > 0) {
            l->state = LIFT_HOLD;
            l->hold_left -= 1;
            return;
        }
        l->state = LIFT_RELEASE;
        l->ramp = l->output << 16; /* LIFT_FULL << 16 at most: below 2**26 */
    }
    if (l->state == LIFT_RELEASE) {
        lower(l, l->release, demand);
    }
}

void lift_latch_step(lift_latch_t *l, int32_t value) {
    int32_t least = l->triggered ? l->trigger - l->hysteresis : l->trigger;
    l->triggered = value > 0 && value >= least ? 1 : 0;
    l->demand = l->triggered ? value : 0;
    follow(l, l->demand);
}

void lift_latch_step_out_of_sight(lift_latch_t *l, int32_t greatest) {
    l->demand = lift_max(l->output, greatest);
    if (l->demand > 0) {
        l->triggered = 1;
        l->state = LIFT_PEAK;
        l->output = l->demand;
        l->hold_left = l->hold;
    }
}

void lift_latch_keep(lift_latch_t *l) {
    l->demand = 0;
    l->triggered = 0;
    if (l->output > 0) {
        if (l->state != LIFT_KEPT) {
            l->state = LIFT_KEPT;
            l->hold_left = l->hold;
        }
        l->hold_left = lift_max(l->hold_left - 1, 0);
    }
}

void lift_latch_let_go(lift_latch_t *l, int32_t rate) {
    l->demand = 0;
    l->triggered = 0;
    if (l->output > 0) {
        if (l->state != LIFT_FAULT_RELEASE) {
            l->state = LIFT_FAULT_RELEASE;
            l->hold_left = 0;
            l->ramp = l->output << 16;
        }
        lower(l, rate, 0);
    }
}

uint32_t lift_latch_digest(const lift_latch_t *l, uint32_t crc) {
    crc = lift_crc32_word(crc, l->state);
    crc = lift_crc32_word(crc, l->demand);
    crc = lift_crc32_word(crc, l->triggered);
    crc = lift_crc32_word(crc, l->output);
    crc = lift_crc32_word(crc, l->hold_left);
    return lift_crc32_word(crc, l->ramp);
}

void lift_slope_calibrate(lift_slope_t *s, int32_t up_q16, int32_t down_q16) {
    s->up = up_q16;
    s->down = down_q16;
}

void lift_slope_reset(lift_slope_t *s) {
    s->carried = 0;
    s->value = 0;
}

int32_t lift_slope_step(lift_slope_t *s, int32_t target) {
    int32_t goal = target << 16; /* LIFT_FULL << 16 at most, as the rates are: sums stay below 2**27 */
    if (goal > s->carried) {
        s->carried = s->up ? lift_min(goal, s->carried + s->up) : goal;
    } else {
        s->carried = s->down ? lift_max(goal, s->carried - s->down) : goal;
    }
    s->value = s->carried >> 16;
    return s->value;
}

uint32_t lift_slope_digest(const lift_slope_t *s, uint32_t crc) {
    return lift_crc32_word(crc, s->carried);
}
