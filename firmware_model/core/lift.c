/* Height to lift: see lift.h. */
#include "lift.h"

#include "fixed.h"

void ll_lowpass_reset(ll_lowpass_t *l, int32_t factor_q12, int32_t value) {
    l->factor = factor_q12;
    l->value = value;
    l->remainder = 0;
}

int32_t ll_lowpass_step(ll_lowpass_t *l, int32_t target) {
    /* The value never passes the target, so both are below 2**17: rest is at most (2**18 - 2) * 4096 + 4095,
     * below 2**30. */
    int32_t rest = (target - l->value) * l->factor + l->remainder;
    int32_t change = rest >= 0 ? rest >> 12 : -(-rest >> 12);
    l->remainder = rest - change * 4096;
    l->value += change;
    return l->value;
}

uint32_t ll_lowpass_digest(const ll_lowpass_t *l, uint32_t crc) {
    return ll_crc32_word(ll_crc32_word(crc, l->value), l->remainder);
}

static void restart_window(ll_lift_t *l) {
    l->learn_count = 0;
    l->learn_sum = 0;
    l->learn_least = 0;
    l->learn_greatest = 0;
}

void ll_lift_reset(ll_lift_t *l, const ll_image_t *calibration) {
    const ll_image_t *c = calibration;
    l->calibration = c;
    ll_lowpass_reset(&l->lowpass, c->lowpass_q12, 0);
    ll_lowpass_reset(&l->speed, c->look_lowpass_q12, 0);
    l->latest = 0;
    l->value = 0;
    l->entry = 0;
    l->recent_next = 0;
    for (int32_t i = 0; i < LL_MEDIAN_SAMPLES; i++) {
        l->recent[i] = 0;
    }
    ll_lift_forget(l);
}

void ll_lift_forget(ll_lift_t *l) {
    l->rest = l->calibration->rest;
    l->moved = 1;
    l->learn_first = 0;
    restart_window(l);
}

int32_t ll_lift_of_height(const ll_lift_t *l, int32_t height) {
    /* Height and rest lie on the sensor's curve: no more than 32767 apart; the gain is 65536 at most. */
    return ll_saturate(ll_mul_q12(height - l->rest, (int32_t)l->calibration->gain_q12));
}

bool ll_lift_learn(ll_lift_t *l, int32_t height, bool still) {
    const ll_image_t *c = l->calibration;
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
    l->learn_least = ll_min(l->learn_least, offset);
    l->learn_greatest = ll_max(l->learn_greatest, offset);
    if (l->learn_greatest - l->learn_least > c->learn_spread) {
        restart_window(l);
        return false;
    }
    l->learn_count += 1;
    l->learn_sum += offset; /* 65536 samples, each no more than the spread: 65536 * 16383 < 2**30 */
    if (l->learn_count < window) {
        return false;
    }
    int32_t mean = l->learn_first + ll_round_div(l->learn_sum, window);
    restart_window(l);
    if (ll_abs(mean - c->rest) > c->learn_tolerance || mean == l->rest) {
        return false;
    }
    l->rest = mean;
    l->moved = 1;
    return true;
}

static void look(ll_lift_t *l, int32_t speed) {
    const ll_image_t *c = l->calibration;
    /* 100000 * 26214 < 2**32; the result is below 2**20. */
    int32_t ahead = ll_mul_q12(speed, speed > 0 ? c->look_rising_q12 : c->look_falling_q12);
    l->entry = ll_saturate(l->value + ahead);
}

static int32_t median(const ll_lift_t *l) {
    const int32_t *r = l->recent;
    int32_t count = l->calibration->median_samples;
    if (count == 1) {
        return r[0];
    }
    int32_t least = ll_min(r[0], r[1]);
    int32_t greatest = ll_max(r[0], r[1]);
    if (count == 3) {
        return ll_max(least, ll_min(greatest, r[2]));
    }
    /* Of five: the median of the fifth, the greater of the lesser and the lesser of the greater. */
    int32_t low = ll_max(least, ll_min(r[2], r[3]));
    int32_t high = ll_min(greatest, ll_max(r[2], r[3]));
    if (low > high) {
        int32_t swapped = low;
        low = high;
        high = swapped;
    }
    return ll_max(low, ll_min(high, r[4]));
}

void ll_lift_sample(ll_lift_t *l, int32_t height, bool reseed, int32_t gap) {
    const ll_image_t *c = l->calibration;
    int32_t lift = ll_lift_of_height(l, height);
    if (reseed || l->moved) {
        l->moved = 0;
        for (int32_t i = 0; i < LL_MEDIAN_SAMPLES; i++) {
            l->recent[i] = lift;
        }
        ll_lowpass_reset(&l->lowpass, c->lowpass_q12, lift);
        ll_lowpass_reset(&l->speed, c->look_lowpass_q12, 0);
    } else {
        /* 65534 * 512000 < 2**35; the result is below 2**23. The gap is above 0 unless reseed says so. */
        int32_t change = ll_mul_q12(lift - l->latest, (int32_t)c->look_speed_q12);
        int32_t speed = ll_clamp(ll_round_div(change, gap), -LL_LIFT_SPEED_LIMIT, LL_LIFT_SPEED_LIMIT);
        ll_lowpass_step(&l->speed, speed);
        l->recent[l->recent_next] = lift;
        l->recent_next = l->recent_next + 1 < c->median_samples ? l->recent_next + 1 : 0;
        ll_lowpass_step(&l->lowpass, median(l));
    }
    l->latest = lift;
    l->value = l->lowpass.value;
    look(l, l->speed.value);
}

void ll_lift_miss(ll_lift_t *l) {
    look(l, ll_max(l->speed.value, 0));
}

uint32_t ll_lift_digest(const ll_lift_t *l, uint32_t crc) {
    crc = ll_crc32_word(crc, l->rest);
    crc = ll_crc32_word(crc, l->moved);
    crc = ll_crc32_word(crc, l->learn_count);
    crc = ll_crc32_word(crc, l->learn_first);
    crc = ll_crc32_word(crc, l->learn_sum);
    crc = ll_crc32_word(crc, l->learn_least);
    crc = ll_crc32_word(crc, l->learn_greatest);
    crc = ll_crc32_word(crc, l->latest);
    for (int32_t i = 0; i < LL_MEDIAN_SAMPLES; i++) {
        crc = ll_crc32_word(crc, l->recent[i]);
    }
    crc = ll_crc32_word(crc, l->recent_next);
    crc = ll_lowpass_digest(&l->lowpass, crc);
    crc = ll_lowpass_digest(&l->speed, crc);
    crc = ll_crc32_word(crc, l->value);
    return ll_crc32_word(crc, l->entry);
}
