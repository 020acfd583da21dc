/* Peak, hold, release, and a value that falls no faster than a rate: see latch.h. */
#include "latch.h"

#include "fixed.h"

void ll_latch_calibrate(ll_latch_t *l, int32_t trigger, int32_t hysteresis, int32_t hold, int32_t hold_from,
                        int32_t release_q16, bool follows) {
    l->trigger = follows ? 0 : trigger;
    l->hysteresis = hysteresis;
    l->hold = follows ? 0 : hold;
    l->landing = hold_from == LL_FROM_LANDING && !follows ? 1 : 0;
    l->release = release_q16;
    l->follows = follows ? 1 : 0;
}

static void rest(ll_latch_t *l) {
    l->state = LL_REST;
    l->output = 0;
    l->hold_left = 0;
    l->ramp = 0;
}

void ll_latch_reset(ll_latch_t *l) {
    l->demand = 0;
    l->triggered = 0;
    rest(l);
}

static void lower(ll_latch_t *l, int32_t rate, int32_t demand) {
    l->ramp = 0 < rate && rate < l->ramp ? l->ramp - rate : 0;
    l->output = ll_max(l->ramp >> 16, demand);
    if (l->follows) {
        l->ramp = ll_max(l->ramp, demand << 16); /* the rate is counted from the value followed (L7) */
    }
    if (l->output == 0) {
        rest(l);
    }
}

static void follow(ll_latch_t *l, int32_t demand) {
    if (l->state == LL_KEPT) {
        /* The fault is over: the hold runs anew from what was kept. */
        l->state = LL_HOLD;
        l->hold_left = l->hold;
    } else if (l->state == LL_FAULT_RELEASE) {
        l->state = LL_RELEASE;
    }

    bool holding = l->state == LL_PEAK || l->state == LL_HOLD;
    if (demand > l->output || (holding && demand == l->output)) {
        l->state = LL_PEAK;
        l->output = demand;
        l->hold_left = l->hold;
        return;
    }
    if (holding) {
        if (l->landing && demand > 0) {
            l->state = LL_HOLD;
            l->hold_left = l->hold;
            return;
        }
        if (l->hold_left > 0) {
            l->state = LL_HOLD;
            l->hold_left -= 1;
            return;
        }
        l->state = LL_RELEASE;
        l->ramp = l->output << 16; /* LL_FULL << 16 at most: below 2**26, and it only falls */
    }
    if (l->state == LL_RELEASE) {
        lower(l, l->release, demand);
    }
}

void ll_latch_step(ll_latch_t *l, int32_t value) {
    int32_t least = l->triggered ? l->trigger - l->hysteresis : l->trigger;
    l->triggered = value > 0 && value >= least ? 1 : 0;
    l->demand = l->triggered ? value : 0;
    follow(l, l->demand);
}

void ll_latch_step_out_of_sight(ll_latch_t *l, int32_t greatest) {
    l->demand = ll_max(l->output, greatest);
    if (l->demand > 0) {
        l->triggered = 1;
        l->state = LL_PEAK;
        l->output = l->demand;
        l->hold_left = l->hold;
    }
}

void ll_latch_keep(ll_latch_t *l) {
    l->demand = 0;
    l->triggered = 0;
    if (l->output > 0) {
        l->state = LL_KEPT;
        l->hold_left = 0;
    }
}

void ll_latch_let_go(ll_latch_t *l, int32_t rate) {
    l->demand = 0;
    l->triggered = 0;
    if (l->output > 0) {
        if (l->state != LL_FAULT_RELEASE) {
            l->state = LL_FAULT_RELEASE;
            l->hold_left = 0;
            l->ramp = l->output << 16;
        }
        lower(l, rate, 0);
    }
}

uint32_t ll_latch_digest(const ll_latch_t *l, uint32_t crc) {
    crc = ll_crc32_word(crc, l->state);
    crc = ll_crc32_word(crc, l->demand);
    crc = ll_crc32_word(crc, l->triggered);
    crc = ll_crc32_word(crc, l->output);
    crc = ll_crc32_word(crc, l->hold_left);
    return ll_crc32_word(crc, l->ramp);
}

void ll_slope_calibrate(ll_slope_t *s, int32_t up_q16, int32_t down_q16) {
    s->up = up_q16;
    s->down = down_q16;
}

void ll_slope_reset(ll_slope_t *s) {
    s->carried = 0;
    s->value = 0;
}

int32_t ll_slope_step(ll_slope_t *s, int32_t target) {
    int32_t goal = target << 16; /* LL_FULL << 16 at most, as the rates are: sums stay below 2**27 */
    if (goal > s->carried) {
        s->carried = s->up ? ll_min(goal, s->carried + s->up) : goal;
    } else {
        s->carried = s->down ? ll_max(goal, s->carried - s->down) : goal;
    }
    s->value = s->carried >> 16;
    return s->value;
}

uint32_t ll_slope_digest(const ll_slope_t *s, uint32_t crc) {
    return ll_crc32_word(crc, s->carried);
}
