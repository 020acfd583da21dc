/* Counts to height, and which samples are used: see height.h. */
#include "height.h"

#include "fixed.h"

#define SATURATED INT32_C(65535)

void lift_height_reset(lift_height_t *h, const lift_image_t *calibration) {
    const lift_image_t *c = calibration;
    h->calibration = c;
    h->far = lift_max(c->sensor_height[0], c->sensor_height[c->sensor_points - 1]);
    h->near = h->far - c->near_end;
    /* 10000 * 1000 at most: below 2**24. What is longer than LIFT_NOSE_MS counts as that. */
    h->period_us = lift_min((int32_t)c->tick_us * c->sample_ticks, (int32_t)LIFT_NOSE_MS * 1000);
    /* 32767 * 1000 at most: below 2**25. */
    h->rate = lift_min((int32_t)c->allowance_rate * c->sample_ticks, LIFT_ALLOWANCE_LIMIT);
    h->fall_samples = lift_min(lift_max(LIFT_FALL_US / h->period_us, 1), c->confirm_samples);
    h->unasked_fall = c->allowance + 3 * (int32_t)c->allowance_rate;
    h->good = c->rest;
    h->acquired = 0;
    h->used = 0;
    h->reseed = 0;
    h->waited = 0;
    h->gap = 0;
    h->allowance_up = c->allowance;
    h->allowance_down = c->allowance;
    h->previous = 0;
    h->agreeing = 0;
    h->near_agreeing = 0;
    h->bad = 0;
    h->healing = 0;
    h->faulted = 1;
    h->fall = 0;
    h->out_of_sight = 0;
    h->jump_from = 0;
    h->jump_left = 0;
    h->jump_agreeing = 0;
    h->chain = 0;
    h->chain_needed = 0;
    h->chain_least = 0;
    h->chain_greatest = 0;
    h->chain_least_counts = 0;
    h->chain_greatest_counts = 0;
    h->stuck = 0;
    h->stuck_known = 0;
    h->stuck_at = 0;
    h->stuck_samples = 0;
    h->trend_count = 0;
    h->trend_next = 0;
    for (int32_t i = 0; i < LIFT_TREND_SAMPLES; i++) {
        h->trend[i] = 0;
    }
}

int32_t lift_height_far_end(const lift_height_t *h) {
    return h->far;
}

static void keep(lift_height_t *h, int32_t height) {
    h->good = height;
    h->gap = h->waited;
    h->waited = 0;
    h->allowance_up = h->calibration->allowance;
    h->allowance_down = h->calibration->allowance;
}

/* Take a height with no regard to what was before it. */
static void start_at(lift_height_t *h, int32_t height) {
    keep(h, height);
    h->used = 1;
    h->reseed = 1;
    h->healing = 0;
    h->trend_count = 0;
}

/* The sensor is healthy again, at this height. */
static void heal(lift_height_t *h, int32_t height) {
    h->out_of_sight = 0;
    h->faulted = 0;
    h->fall = 0;
    h->bad = 0;
    h->jump_left = 0;
    h->jump_agreeing = 0;
    h->chain = 0;
    start_at(h, height);
}

/* One used sample; what is not used neither counts nor leaves the band (H8). */
static void watch_stuck(lift_height_t *h, int32_t car_speed, bool taking) {
    const lift_image_t *c = h->calibration;
    if (!h->stuck_known || lift_abs(h->good - h->stuck_at) > c->stuck_band) {
        if (h->stuck && !taking) {
            h->reseed = 1; /* a fault is healed (H7) */
        }
        h->stuck = 0;
        h->stuck_known = 1;
        h->stuck_at = h->good;
        h->stuck_samples = 0;
    } else if (car_speed <= c->stuck_speed) {
        h->stuck_samples = 0;
    } else {
        h->stuck_samples = lift_min(h->stuck_samples + 1, SATURATED);
        if (0 < c->stuck_samples && c->stuck_samples <= h->stuck_samples) {
            h->stuck = 1;
        }
    }
}

/* Whether the last good height is near the end, or its trend reached it in the time waited.
 * The trend is followed for `confirm` samples at most: by then too many are not used, which is a fault.
 * Samples out of sight, in a run that was disarmed, may have been waited too. */
static bool nears_end(const lift_height_t *h) {
    if (h->good >= h->near) {
        return true;
    }
    if (h->trend_count < LIFT_TREND_SAMPLES) {
        return false;
    }
    int32_t rise = h->good - h->trend[h->trend_next]; /* over the last LIFT_TREND_SAMPLES - 1 samples */
    /* The waited samples cannot be left unbounded: 65534 * `confirm` (8192 at most) is below 2**29. */
    int32_t waited = lift_min(h->waited, h->calibration->confirm_samples);
    return rise > 0 && rise * waited >= (h->far - h->good) * (LIFT_TREND_SAMPLES - 1);
}

static void use_sample(lift_height_t *h, int32_t height) {
    const lift_image_t *c = h->calibration;
    if (h->faulted) {
        h->healing += 1;
        if (h->healing < c->heal_samples) {
            keep(h, height);
            return;
        }
        heal(h, height);
        return;
    }
    h->bad = lift_max(h->bad - 1, 0);
    h->used = 1;
    keep(h, height);
    h->trend[h->trend_next] = (int16_t)height;
    h->trend_next = (h->trend_next + 1) & (LIFT_TREND_SAMPLES - 1);
    h->trend_count = lift_min(h->trend_count + 1, LIFT_TREND_SAMPLES);
}

static void refuse_sample(lift_height_t *h, bool launched, bool taking, bool fell) {
    const lift_image_t *c = h->calibration;
    h->healing = 0;
    if (!h->faulted && launched && nears_end(h)) {
        /* Beyond the range a sensor may read anything; no fall and no fault is told from it. */
        if (fell || h->waited >= c->agree_samples) {
            h->out_of_sight = 1;
        }
        return;
    }
    h->bad = lift_min(h->bad + 1, c->confirm_samples);
    if (fell && taking) {
        h->fall = 1;
        h->faulted = 1;
    }
    if (h->bad >= c->confirm_samples) {
        h->faulted = 1;
    }
}

/* Consecutive samples that agree with one another (H3), and those of them near the end (H5). */
static void compare(lift_height_t *h, int32_t height, int32_t step, bool seen) {
    if (!seen) {
        h->agreeing = 0;
        h->near_agreeing = 0;
        return;
    }
    bool joins = h->agreeing > 0 && step <= h->calibration->allowance + h->rate;
    h->agreeing = joins ? lift_min(h->agreeing + 1, SATURATED) : 1;
    if (height < h->near) {
        h->near_agreeing = 0;
    } else {
        h->near_agreeing = joins ? lift_min(h->near_agreeing + 1, SATURATED) : 1;
    }
    h->previous = height;
}

/* Agreeing samples near the height before a jump, while the jump is provisional (H11). */
static void follow_jump(lift_height_t *h, int32_t height, bool seen) {
    /* The rate is 65534 at most and LIFT_FALL_US is 40 samples of the shortest period: below 2**22. */
    int32_t reach = h->calibration->allowance + h->rate * h->fall_samples;
    if (!seen || h->jump_left == 0 || lift_abs(height - h->jump_from) > reach) {
        h->jump_agreeing = 0;
    } else {
        h->jump_agreeing = h->agreeing > 1 ? h->jump_agreeing + 1 : 1;
    }
}

/* How far a nose could have fallen since the last good height, 1/16 mm (H10). */
static int32_t nose_fall(const lift_height_t *h, bool falling) {
    /* A tick is 500 us at least: after 1000 samples the time is up. 1000 * 500000 is below 2**29. */
    int32_t waited = lift_min(h->waited, LIFT_NOSE_MS * 2);
    int32_t ms = lift_min(waited * h->period_us / 1000, LIFT_NOSE_MS);
    /* Half of 20 m/s2 is 4/25 of 1/16 mm a ms2; half the fastest rate: 65534 * 1000 is below 2**26. */
    int32_t fall = h->calibration->allowance + ms * ms * 4 / 25;
    return falling ? fall + (h->rate * waited >> 1) : fall;
}

/* Samples in a row that look like a nose at rest (H10). */
static void follow_chain(lift_height_t *h, int32_t counts, int32_t height, int32_t step, int32_t rest,
                         bool falling) {
    const lift_image_t *c = h->calibration;
    if (height - rest < -LIFT_RETURN_BELOW || height - rest > LIFT_RETURN_ABOVE) {
        h->chain = 0;
        return;
    }
    if (step > c->allowance + (h->rate >> 2)) {
        h->chain = 0;
    }
    if (h->chain == 0) {
        bool could_be = h->good - height <= nose_fall(h, falling);
        h->chain_needed = could_be ? c->return_samples : LIFT_RETURN_LONGER * (int32_t)c->return_samples;
        h->chain_least = height;
        h->chain_greatest = height;
        h->chain_least_counts = counts;
        h->chain_greatest_counts = counts;
    }
    h->chain += 1;
    h->chain_least = lift_min(h->chain_least, height);
    h->chain_greatest = lift_max(h->chain_greatest, height);
    h->chain_least_counts = lift_min(h->chain_least_counts, counts);
    h->chain_greatest_counts = lift_max(h->chain_greatest_counts, counts);
}

/* How many samples have brought the sensor back, 0 if none have (H10, H11). */
static int32_t back(lift_height_t *h) {
    if (h->jump_agreeing >= h->calibration->heal_samples) {
        return h->jump_agreeing;
    }
    if (h->chain == 0 || h->chain < h->chain_needed) {
        return 0;
    }
    int32_t chain = h->chain;
    h->chain = 0;
    bool moved = h->chain_greatest - h->chain_least > LIFT_RETURN_SPREAD &&
                 h->chain_greatest_counts - h->chain_least_counts > LIFT_RETURN_COUNTS;
    return moved ? chain : 0;
}

/* Use one sample, or do not (H3). */
static void believe(lift_height_t *h, int32_t height, bool seen, bool launched, bool taking) {
    bool agreed = h->agreeing >= h->calibration->agree_samples;
    int32_t change = height - h->good;
    bool fell = false;
    bool use;
    if (!seen) {
        use = false;
    } else if (change >= 0) {
        use = agreed || change <= h->allowance_up;
        if (agreed && change > h->allowance_up && h->jump_left == 0) {
            h->jump_from = h->good;
            h->jump_left = h->calibration->return_samples;
        }
    } else if (-change <= h->allowance_down) {
        use = agreed || -change <= h->unasked_fall;
    } else {
        fell = true;
        use = agreed && !taking;
    }

    if (use) {
        use_sample(h, height);
    } else {
        refuse_sample(h, launched, taking, fell);
    }
}

static int32_t judge(lift_height_t *h, int32_t counts, bool launched, bool taking, int32_t rest,
                     bool falling) {
    const lift_image_t *c = h->calibration;
    bool seen = c->window_low <= counts && counts <= c->window_high;
    int32_t height = lift_interpolate_signed(c->sensor_counts, c->sensor_height, c->sensor_points, counts);
    int32_t step = lift_abs(height - h->previous);
    compare(h, height, step, seen);

    if (!h->acquired) {
        if (h->agreeing >= c->heal_samples) {
            h->acquired = 1;
            heal(h, height);
        }
        return 0;
    }

    /* The allowance grows with the samples waited: upwards without end, downwards for a short time (H3). */
    h->waited = lift_min(h->waited + 1, SATURATED);
    h->allowance_up = lift_min(h->allowance_up + h->rate, LIFT_ALLOWANCE_LIMIT);
    if (h->waited <= h->fall_samples) {
        h->allowance_down = lift_min(h->allowance_down + h->rate, LIFT_ALLOWANCE_LIMIT);
    }
    h->jump_left = lift_max(h->jump_left - 1, 0);

    bool lost = h->out_of_sight == 1;
    if (lost && h->near_agreeing >= c->agree_samples) {
        h->out_of_sight = 0;
        h->bad = 0;
        start_at(h, height);
        return 0;
    }
    if (lost || h->faulted) {
        follow_jump(h, height, seen);
        if (seen && (lost || taking)) {
            follow_chain(h, counts, height, step, rest, falling);
        } else {
            h->chain = 0;
        }
        int32_t samples = back(h);
        if (samples > 0) {
            heal(h, height);
            return lost ? samples : 0;
        }
        if (lost) {
            return 0;
        }
    } else {
        h->chain = 0;
        h->jump_agreeing = 0;
    }

    believe(h, height, seen, launched, taking);
    return 0;
}

int32_t lift_height_sample(lift_height_t *h, int32_t counts, int32_t car_speed, bool launched, bool taking,
                           int32_t rest, bool falling) {
    h->used = 0;
    h->reseed = 0;
    int32_t held = judge(h, counts, launched, taking, rest, falling);
    if (h->used) {
        watch_stuck(h, car_speed, taking);
    }
    return held;
}

int32_t lift_height_failures(const lift_height_t *h, bool taking) {
    int32_t bits = h->faulted ? LIFT_FAULT_SENSOR : 0;
    if (h->stuck && !taking && !h->out_of_sight && h->good < h->near) {
        bits |= LIFT_FAULT_STUCK;
    }
    return bits;
}

void lift_height_give_up(lift_height_t *h) {
    h->out_of_sight = 0;
    h->faulted = 1;
}

void lift_height_disarm(lift_height_t *h) {
    h->out_of_sight = 0;
}

int32_t lift_height_fault_bits(const lift_height_t *h) {
    int32_t bits = 0;
    if (!h->used) {
        bits = LIFT_FAULT_UNUSED;
    }
    if (h->faulted) {
        bits |= LIFT_FAULT_SENSOR;
        if (h->fall) {
            bits |= LIFT_FAULT_FALL;
        }
        if (!h->acquired) {
            bits |= LIFT_FAULT_ACQUIRING;
        }
    }
    if (h->stuck) {
        bits |= LIFT_FAULT_STUCK;
    }
    if (h->out_of_sight) {
        bits |= LIFT_FAULT_OUT_OF_SIGHT;
    }
    return bits;
}

uint32_t lift_height_digest(const lift_height_t *h, uint32_t crc) {
    crc = lift_crc32_word(crc, h->good);
    crc = lift_crc32_word(crc, h->previous);
    crc = lift_crc32_word(crc, h->waited);
    crc = lift_crc32_word(crc, h->gap);
    crc = lift_crc32_word(crc, h->allowance_up);
    crc = lift_crc32_word(crc, h->allowance_down);
    crc = lift_crc32_word(crc, h->agreeing);
    crc = lift_crc32_word(crc, h->near_agreeing);
    crc = lift_crc32_word(crc, h->bad);
    crc = lift_crc32_word(crc, h->healing);
    crc = lift_crc32_word(crc, h->acquired);
    crc = lift_crc32_word(crc, h->used);
    crc = lift_crc32_word(crc, h->reseed);
    crc = lift_crc32_word(crc, h->faulted);
    crc = lift_crc32_word(crc, h->fall);
    crc = lift_crc32_word(crc, h->out_of_sight);
    crc = lift_crc32_word(crc, h->jump_from);
    crc = lift_crc32_word(crc, h->jump_left);
    crc = lift_crc32_word(crc, h->jump_agreeing);
    crc = lift_crc32_word(crc, h->chain);
    crc = lift_crc32_word(crc, h->chain_needed);
    crc = lift_crc32_word(crc, h->chain_least);
    crc = lift_crc32_word(crc, h->chain_greatest);
    crc = lift_crc32_word(crc, h->chain_least_counts);
    crc = lift_crc32_word(crc, h->chain_greatest_counts);
    crc = lift_crc32_word(crc, h->stuck);
    crc = lift_crc32_word(crc, h->stuck_known);
    crc = lift_crc32_word(crc, h->stuck_at);
    crc = lift_crc32_word(crc, h->stuck_samples);
    crc = lift_crc32_word(crc, h->trend_count);
    crc = lift_crc32_word(crc, h->trend_next);
    for (int32_t i = 0; i < LIFT_TREND_SAMPLES; i++) {
        crc = lift_crc32_word(crc, h->trend[i]);
    }
    return crc;
}
