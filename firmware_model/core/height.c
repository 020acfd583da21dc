/* Counts to height, and which samples are used: see height.h. */
#include "height.h"

#include "fixed.h"

enum { SATURATED = 65535 };

void lift_height_reset(lift_height_t *h, const lift_image_t *calibration) {
    const lift_image_t *c = calibration;
    h->calibration = c;
    h->far = lift_max(c->sensor_height[0], c->sensor_height[c->sensor_points - 1]);
    h->near = h->far - c->near_end;
    /* 32767 * 1000 at most: below 2**25. */
    h->rate = lift_min(c->allowance_rate * c->sample_ticks, LIFT_ALLOWANCE_LIMIT);
    h->unasked_fall = c->allowance + 3 * c->allowance_rate;
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
 * The trend is followed for `confirm` samples at most: by then too many are not used, which is a fault. A run
 * that ends out of sight and begins anew between two samples counts none of them. */
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
        h->faulted = 0;
        h->fall = 0;
        h->bad = 0;
        start_at(h, height);
        return;
    }
    h->bad = lift_max(h->bad - 1, 0);
    h->used = 1;
    keep(h, height);
    h->trend[h->trend_next] = (int16_t)height;
    h->trend_next = (h->trend_next + 1) & (LIFT_TREND_SAMPLES - 1);
    h->trend_count = lift_min(h->trend_count + 1, LIFT_TREND_SAMPLES);
}

static void refuse_sample(lift_height_t *h, bool launched, bool fell) {
    const lift_image_t *c = h->calibration;
    h->healing = 0;
    if (!h->faulted && launched && nears_end(h)) {
        /* Beyond the range a sensor may read anything; no fall and no fault is told from it. */
        h->out_of_sight = 1;
        return;
    }
    h->bad = lift_min(h->bad + 1, c->confirm_samples);
    if (fell) {
        h->fall = 1;
        h->faulted = 1;
    }
    if (h->bad >= c->confirm_samples) {
        h->faulted = 1;
    }
}

static void judge(lift_height_t *h, int32_t counts, bool launched, bool taking) {
    const lift_image_t *c = h->calibration;
    bool seen = c->window_low <= counts && counts <= c->window_high;
    int32_t height = lift_interpolate_signed(c->sensor_counts, c->sensor_height, c->sensor_points, counts);

    /* Consecutive samples that agree with one another (H3), and those of them near the end (H5). */
    if (!seen) {
        h->agreeing = 0;
        h->near_agreeing = 0;
    } else {
        bool joins = h->agreeing > 0 && lift_abs(height - h->previous) <= c->allowance + h->rate;
        h->agreeing = joins ? lift_min(h->agreeing + 1, SATURATED) : 1;
        if (height < h->near) {
            h->near_agreeing = 0;
        } else {
            h->near_agreeing = joins ? lift_min(h->near_agreeing + 1, SATURATED) : 1;
        }
        h->previous = height;
    }

    if (h->out_of_sight) {
        if (h->near_agreeing >= c->agree_samples) {
            h->out_of_sight = 0;
            h->bad = 0;
            start_at(h, height);
        }
        return;
    }

    if (!h->acquired) {
        if (h->agreeing >= c->heal_samples) {
            h->acquired = 1;
            h->faulted = 0;
            start_at(h, height);
        }
        return;
    }

    /* The allowance grows with the ticks waited: upwards without end, downwards for `confirm`. */
    h->waited = lift_min(h->waited + 1, SATURATED);
    h->allowance_up = lift_min(h->allowance_up + h->rate, LIFT_ALLOWANCE_LIMIT);
    if (h->waited <= c->confirm_samples) {
        h->allowance_down = lift_min(h->allowance_down + h->rate, LIFT_ALLOWANCE_LIMIT);
    }

    bool agreed = h->agreeing >= c->agree_samples;
    int32_t change = height - h->good;
    bool too_far_down = false;
    bool use;
    if (!seen) {
        use = false;
    } else if (change >= 0) {
        use = agreed || change <= h->allowance_up;
    } else if (-change <= h->allowance_down) {
        use = agreed || -change <= h->unasked_fall;
    } else {
        too_far_down = true;
        use = agreed && !taking;
    }

    if (use) {
        use_sample(h, height);
    } else {
        refuse_sample(h, launched, too_far_down && taking);
    }
}

void lift_height_sample(lift_height_t *h, int32_t counts, int32_t car_speed, bool launched, bool taking) {
    h->used = 0;
    h->reseed = 0;
    judge(h, counts, launched, taking);
    if (h->used) {
        watch_stuck(h, car_speed, taking);
    }
}

int32_t lift_height_failures(const lift_height_t *h, bool taking) {
    int32_t bits = h->faulted ? LIFT_FAULT_SENSOR : 0;
    if (h->stuck && !taking && !h->out_of_sight && h->good < h->near) {
        bits |= LIFT_FAULT_STUCK;
    }
    return bits;
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
