/* Height to lift: see lift.h. */
#include "lift.h"

#include "fixed.h"

void lift_lowpass_reset(lift_lowpass_t *l, int32_t factor_q12, int32_t value) {
    l->factor = factor_q12;
    l->value = value;
    l->remainder = 0;
}

int32_t lift_lowpass_step(lift_lowpass_t *l, int32_t target) {
    /* The value never passes the target, so both are below 2**17: rest is at most (2**18 - 2) * 4096 + 4095,
     * below 2**30. */
    int32_t rest = (target - l->value) * l->factor + l->remainder;
    int32_t change = rest >= 0 ? rest >> 12 : -(-rest >> 12);
    l->remainder = rest - change * 4096;
    l->value += change;
    return l->value;
}

uint32_t lift_lowpass_digest(const lift_lowpass_t *l, uint32_t crc) {
    return lift_crc32_word(lift_crc32_word(crc, l->value), l->remainder);
}

static void restart_window(lift_lift_t *l) {
    l->learn_count = 0;
    l->learn_sum = 0;
    l->learn_least = 0;
    l->learn_greatest = 0;
}

void lift_lift_reset(lift_lift_t *l, const lift_image_t *calibration) {
    const lift_image_t *c = calibration;
    l->calibration = c;
    lift_lowpass_reset(&l->lowpass, c->lowpass_q12, 0);
    lift_lowpass_reset(&l->speed, c->look_lowpass_q12, 0);
    l->latest = 0;
    l->value = 0;
    l->entry = 0;
    l->recent_next = 0;
    for (int32_t i = 0; i < LIFT_MEDIAN_SAMPLES; i++) {
        l->recent[i] = 0;
    }
    lift_lift_forget(l);
}

void lift_lift_forget(lift_lift_t *l) {
    l->rest = l->calibration->rest;
    l->moved = 1;
    l->learn_first = 0;
    restart_window(l);
}

int32_t lift_lift_of_height(const lift_lift_t *l, int32_t height) {
    /* Height and rest lie on the sensor's curve: no more than 32767 apart; the gain is 65536 at most. */
    return lift_saturate(lift_mul_q12(height - l->rest, (int32_t)l->calibration->gain_q12));
}

bool lift_lift_learn(lift_lift_t *l, int32_t height, bool still) {
    const lift_image_t *c = l->calibration;
    int32_t window = (int32_t)c->learn_window;
    if (window == 0) {
        return false;
    }
    if (!still) {
        restart_window(l);
        return false;
    }
    if (l->learn_count == 0) {
        l->learn_first = height;
    }
    int32_t offset = height - l->learn_first;
    l->learn_least = lift_min(l->learn_least, offset);
    l->learn_greatest = lift_max(l->learn_greatest, offset);
    if (l->learn_greatest - l->learn_least > c->learn_spread) {
        restart_window(l);
        return false;
    }
    l->learn_count += 1;
    l->learn_sum += offset; /* 65536 samples, each no more than the spread: 65536 * 16383 < 2**30 */
    if (l->learn_count < window) {
        return false;
    }
    /* A tie rounds the step from the first height. */
    int32_t mean = l->learn_first + lift_round_div(l->learn_sum, window);
    restart_window(l);
    if (lift_abs(mean - c->rest) > c->learn_tolerance || mean == l->rest) {
        return false;
    }
    l->rest = mean;
    l->moved = 1;
    return true;
}

static void look(lift_lift_t *l, int32_t speed) {
    const lift_image_t *c = l->calibration;
    /* 100000 * 26214 < 2**32; the result is below 2**20. */
    int32_t ahead = lift_mul_q12(speed, speed > 0 ? c->look_rising_q12 : c->look_falling_q12);
    l->entry = l->value >= c->look_from ? lift_saturate(l->value + ahead) : l->value;
}

static int32_t median(const lift_lift_t *l) {
    const int32_t *r = l->recent;
    int32_t count = l->calibration->median_samples;
    if (count == 1) {
        return r[0];
    }
    int32_t least = lift_min(r[0], r[1]);
    int32_t greatest = lift_max(r[0], r[1]);
    if (count == 3) {
        return lift_max(least, lift_min(greatest, r[2]));
    }
    /* Of five: the median of the fifth, the greater of the lesser and the lesser of the greater. */
    int32_t low = lift_max(least, lift_min(r[2], r[3]));
    int32_t high = lift_min(greatest, lift_max(r[2], r[3]));
    if (low > high) {
        int32_t swapped = low;
        low = high;
        high = swapped;
    }
    return lift_max(low, lift_min(high, r[4]));
}

void lift_lift_sample(lift_lift_t *l, int32_t height, bool reseed, int32_t gap) {
    const lift_image_t *c = l->calibration;
    int32_t lift = lift_lift_of_height(l, height);
    if (reseed || l->moved) {
        l->moved = 0;
        for (int32_t i = 0; i < LIFT_MEDIAN_SAMPLES; i++) {
            l->recent[i] = lift;
        }
        lift_lowpass_reset(&l->lowpass, c->lowpass_q12, lift);
        lift_lowpass_reset(&l->speed, c->look_lowpass_q12, 0);
    } else {
        /* 65534 * 512000 < 2**35; the result is below 2**23. The gap is above 0 unless reseed says so. */
        int32_t change = lift_mul_q12(lift - l->latest, (int32_t)c->look_speed_q12);
        int32_t speed = lift_clamp(lift_round_div(change, gap), -LIFT_LIFT_SPEED_LIMIT,
            LIFT_LIFT_SPEED_LIMIT);
        (void)lift_lowpass_step(&l->speed, speed);
        l->recent[l->recent_next] = lift;
        l->recent_next = l->recent_next + 1 < c->median_samples ? l->recent_next + 1 : 0;
        (void)lift_lowpass_step(&l->lowpass, median(l));
    }
    l->latest = lift;
    l->value = l->lowpass.value;
    look(l, l->speed.value);
}

void lift_lift_miss(lift_lift_t *l) {
    look(l, lift_max(l->speed.value, 0));
}

uint32_t lift_lift_digest(const lift_lift_t *l, uint32_t crc) {
    crc = lift_crc32_word(crc, l->rest);
    crc = lift_crc32_word(crc, l->moved);
    crc = lift_crc32_word(crc, l->learn_count);
    crc = lift_crc32_word(crc, l->learn_first);
    crc = lift_crc32_word(crc, l->learn_sum);
    crc = lift_crc32_word(crc, l->learn_least);
    crc = lift_crc32_word(crc, l->learn_greatest);
    crc = lift_crc32_word(crc, l->latest);
    for (int32_t i = 0; i < LIFT_MEDIAN_SAMPLES; i++) {
        crc = lift_crc32_word(crc, l->recent[i]);
    }
    crc = lift_crc32_word(crc, l->recent_next);
    crc = lift_lowpass_digest(&l->lowpass, crc);
    crc = lift_lowpass_digest(&l->speed, crc);
    crc = lift_crc32_word(crc, l->value);
    return lift_crc32_word(crc, l->entry);
}
