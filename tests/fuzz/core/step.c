/* Steps and events: the bytes are an image and, after it, records of RECORD_BYTES that say what comes in.
 *
 * Checked at each tick: what liftlatch.h says of outputs and state, what latch.h says of its outputs, that
 * torque comes back no faster than calibrated while a fault keeps it, that a copy of the state goes the same
 * way, and that a reset gives the state of a fresh load.
 */
#include "images.h"

#include "core/liftlatch.h"

enum { RECORD_BYTES = 16, MOST_TICKS = 1000 };
enum { SPEED_VALID = 1, ARMED = 2, LAUNCH = 4, WILD = 8, EVENTS = 16, RESET = 32, SKIP = 64, LOAD = 128 };

static lift_controller_t ll, twin;

static int32_t get(const uint8_t *at, bool wild, uint32_t mask) {
    uint32_t value = (uint32_t)at[0] | (uint32_t)at[1] << 8;
    return wild ? (int32_t)(value | value << 16) : (int32_t)(value & mask);
}

static bool in(int32_t value, int32_t least, int32_t greatest) {
    return least <= value && value <= greatest;
}

static void check_latch(const lift_latch_t *l, int32_t before) {
    CHECK(in(l->demand, 0, LIFT_FULL) && in(l->output, 0, LIFT_FULL) && in(l->state, LIFT_REST,
        LIFT_FAULT_RELEASE));
    CHECK(l->output >= l->demand);
    CHECK(l->output <= before || l->output == l->demand);
    CHECK(in(l->hold_left, 0, l->hold) && in(l->ramp, 0, LIFT_FULL << 16));
    if (l->state == LIFT_REST) {
        CHECK(l->output == 0 && l->ramp == 0 && l->hold_left == 0);
    } else {
        CHECK(l->output > 0);
    }
    if (l->state == LIFT_HOLD || l->state == LIFT_KEPT || l->state == LIFT_PEAK) {
        CHECK(l->output >= before);
    }
    if (l->state == LIFT_RELEASE && l->release > 0) {
        CHECK(l->output >= before - (l->release >> 16) - 1); /* and what rounding down takes (L9) */
    }
    if (l->state == LIFT_FAULT_RELEASE) {
        CHECK(l->output >= before - 101); /* a tenth of all torque, and what rounding down takes */
    }
}

static void check_state(int32_t down, int32_t late) {
    const lift_image_t *c = ll.calibration;
    const lift_height_t *h = &ll.height;
    check_latch(&ll.reduction, down);
    check_latch(&ll.retard, late);
    CHECK(in(ll.tick, 0, 65535) && in(ll.elapsed_ms, 0, 65535) && in(ll.elapsed_us, 0, 999));
    CHECK(in(ll.sample_wait, 0, c->sample_ticks - 1) && in(ll.out_of_sight_ticks, 0, 65535));
    CHECK(in(ll.keep_left, 0, (int32_t)c->fault_hold_ticks) && in(ll.unarmed_ticks, 0, c->disarm_ticks - 1));
    CHECK(in(h->good, -LIFT_LIFT_LIMIT, h->far) && in(h->waited, 0, 65535) && in(h->gap, 0, 65535));
    CHECK(in(h->allowance_up, 1, LIFT_ALLOWANCE_LIMIT) && in(h->allowance_down, 1, LIFT_ALLOWANCE_LIMIT));
    CHECK(in(h->bad, 0, c->confirm_samples) && in(h->healing, 0, c->heal_samples));
    CHECK(in(h->trend_count, 0, LIFT_TREND_SAMPLES) && in(h->trend_next, 0, LIFT_TREND_SAMPLES - 1));
    CHECK(in(h->jump_left, 0, c->return_samples) && in(h->jump_agreeing, 0, c->heal_samples));
    CHECK(in(h->chain, 0, h->chain_needed) && in(h->chain_needed, 0, 3 * c->return_samples));
    CHECK(in(h->chain_least, -LIFT_LIFT_LIMIT, h->chain_greatest) && in(h->chain_greatest_counts, 0, 65535));
    CHECK(in(ll.engine.speed, 0, LIFT_ROTATION_LIMIT) && in(ll.shaft.reach, 0, LIFT_ROTATION_LIMIT));
    CHECK(in(h->stuck_samples, 0, 65535) && in(h->agreeing, 0, 65535));
    CHECK(in(ll.lift.value, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT) && in(ll.lift.entry, -LIFT_LIFT_LIMIT,
        LIFT_LIFT_LIMIT));
    CHECK(in(ll.lift.rest, -LIFT_LIFT_LIMIT, LIFT_LIFT_LIMIT) && in(ll.lift.learn_count, 0, 65536));
    CHECK(in(ll.lift.lowpass.remainder, -4095, 4095) && in(ll.lift.speed.remainder, -4095, 4095));
    CHECK(in(ll.lift.speed.value, -LIFT_LIFT_SPEED_LIMIT, LIFT_LIFT_SPEED_LIMIT));
    CHECK(in(ll.progress.value, 0, 65535) && in(ll.progress.car_speed, 0, LIFT_SPEED_LIMIT));
    CHECK(in(ll.progress.spin_left, 0, 65535) && in(ll.progress.history_next, 0, LIFT_LOOKBACK_SLOTS - 1));
    CHECK(in(ll.maps.reduction, 0, LIFT_FULL) && in(ll.maps.retard, 0, LIFT_FULL) && in(ll.maps.column, 0,
        15));
    CHECK(in(ll.blind_slope.value, 0, LIFT_FULL) && in(ll.engine.reduction.value, 0, LIFT_FULL));
    CHECK(in(ll.shaft.retard.value, 0, LIFT_FULL) && in(ll.events.integral, 0,
        ll.events.cylinders * 16000 - 1));
    if (h->out_of_sight) {
        CHECK(ll.launched && !h->used);
    }
    if (!ll.launched) {
        CHECK(ll.reduction.demand == 0 && ll.retard.demand == 0 && ll.elapsed_ms == 0 && !ll.keeping &&
            !ll.blind);
    }
    /* While a fault is kept, nothing comes back (H6). */
    if (ll.keeping && ll.keep_left > 0) {
        CHECK(ll.reduction.output >= down && ll.retard.output >= late);
    }
}

static void check_outputs(void) {
    const lift_image_t *c = ll.calibration;
    lift_outputs_t out, again;
    memset(&out, 0, sizeof out);
    memset(&again, 0, sizeof again);
    lift_outputs(&ll, &out);
    lift_outputs(&twin, &again);
    CHECK(memcmp(&out, &again, sizeof out) == 0);
    CHECK(in(out.reduction, 0, c->reduction_limit) && in(out.retard, 0, c->retard_limit));
    CHECK(in(out.reason, 0, 255) && in(out.askers, 0, 31) && in(out.faults, 0, LIFT_FAULT_NO_IMAGE - 1));
    CHECK((out.reason == LIFT_REASON_NONE) == (ll.command.asked_reduction == 0));
    CHECK(out.reason <= LIFT_REASON_SHAFT || out.reason >= LIFT_REASON_OUTSIDE_FIRST);
    /* The strongest wins (R3). */
    if (out.latched <= c->reduction_limit) {
        CHECK(out.reduction >= out.latched);
    }
}

static void fire(int32_t number) {
    int32_t cylinder = number % 15 - 1; /* -1 to 13: some are none */
    int32_t reduction = ll.command.reduction;
    int32_t bits = lift_event(&ll, cylinder);
    CHECK(bits == lift_event(&twin, cylinder));
    CHECK(bits == 0 || bits == ll.calibration->event_bits);
    CHECK(lift_spark(&ll, cylinder) == (bits & LIFT_SPARK_OFF));
    if (in(cylinder, 1, ll.calibration->cylinders)) {
        CHECK(reduction != 0 || bits == 0); /* C3 */
        CHECK(reduction != LIFT_FULL || bits != 0);
    } else {
        CHECK(bits == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size < LIFT_IMAGE_BYTES) {
        return 0;
    }
    static union {
        uint32_t place;
        uint8_t bytes[LIFT_IMAGE_BYTES];
    } image;
    memcpy(image.bytes, data, LIFT_IMAGE_BYTES);
    lift_init(&ll);
    if (lift_load(&ll, image.bytes, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) {
        return 0;
    }
    uint32_t fresh = lift_digest(&ll);
    int32_t ticks = 0;
    int32_t number = 0;
    for (size_t at = LIFT_IMAGE_BYTES; at + RECORD_BYTES <= size; at += RECORD_BYTES) {
        const uint8_t *r = data + at;
        uint32_t flags = r[1];
        bool wild = (flags & WILD) != 0U;
        if (flags & (RESET | LOAD)) {
            if (flags & LOAD) {
                CHECK(lift_load(&ll, image.bytes, LIFT_IMAGE_BYTES - 1) == LIFT_IMAGE_LENGTH);
                CHECK(lift_load(&ll, image.bytes, LIFT_IMAGE_BYTES) == LIFT_IMAGE_OK);
            } else {
                lift_reset(&ll);
            }
            CHECK(lift_digest(&ll) == fresh);
        }
        lift_inputs_t to = {
            .counts = get(r + 2, wild, 0xFFFFU),
            .speed_valid = (flags & SPEED_VALID) != 0U,
            .speed = get(r + 6, wild, 0x3FFFU),
            .engine_speed = get(r + 8, wild, 0x7FFFU),
            .shaft_speed = get(r + 10, wild, 0x7FFFU),
            .armed = (flags & ARMED) != 0U,
            .launch = (flags & LAUNCH) != 0U,
            .request_reduction = get(r + 12, wild, 0x3FFU),
            .request_retard = get(r + 14, wild, 0x3FFU),
            .request_reason = r[5],
        };
        int32_t slope = (int8_t)r[4];
        number += (flags & SKIP) != 0U;
        twin = ll;
        for (int32_t i = 0; i <= r[0] && ticks < MOST_TICKS; i++, ticks++, number++) {
            to.tick = wild ? number : number & 0xFFFF;
            int32_t down = ll.reduction.output;
            int32_t late = ll.retard.output;
            lift_step(&ll, &to);
            lift_step(&twin, &to);
            check_state(down, late);
            check_outputs();
            if (flags & EVENTS) {
                fire(number);
            }
            if (!wild) {
                to.counts += slope;
            }
        }
        CHECK(lift_digest(&ll) == lift_digest(&twin));
    }
    CHECK(memcmp(image.bytes, data, LIFT_IMAGE_BYTES) == 0); /* it is never written to */
    return 0;
}

static void mutate_record(uint8_t *r, uint64_t *state, const lift_image_t *c) {
    switch (dice(state) % 8U) {
    case 0:
        r[0] = (uint8_t)dice(state);
        break;
    case 1:
        r[1] ^= (uint8_t)(1U << dice(state) % 8U);
        break;
    case 2:
        r[1] = SPEED_VALID | ARMED | LAUNCH | EVENTS;
        break;
    case 3: /* a height of the curve */
        put(r + 2, 2, c->sensor_counts[dice(state) % LIFT_SENSOR_POINTS]);
        break;
    case 4: /* inside the window or at its ends */
        put(r + 2, 2, (uint32_t)(c->window_low + between(state, -1, 1) +
                                 (int32_t)(dice(state) % 5U) * (c->window_high - c->window_low) / 4));
        break;
    case 5:
        r[4] = (uint8_t)dice(state);
        break;
    case 6:
        put(r + 2 * between(state, 3, 7), 2, dice(state));
        break;
    default:
        put(r + 2 * between(state, 3, 7), 2, dice(state) % 3000U);
    }
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned seed) {
    uint64_t state = seed;
    if (size < LIFT_IMAGE_BYTES || max_size < size) {
        return LLVMFuzzerMutate(data, size, max_size);
    }
    size_t records = (size - LIFT_IMAGE_BYTES) / RECORD_BYTES;
    uint8_t *first = data + LIFT_IMAGE_BYTES;
    union {
        uint32_t place;
        lift_image_t c;
    } image;
    memcpy(&image.c, data, LIFT_IMAGE_BYTES);
    switch (dice(&state) % 8U) {
    case 0:
    case 1:
        mutate_image(data, dice(&state));
        break;
    case 2: /* one record more, like another */
        if (size + RECORD_BYTES <= max_size) {
            size_t from = records ? dice(&state) % records : 0;
            size_t to = dice(&state) % (records + 1);
            uint8_t record[RECORD_BYTES] = {20, SPEED_VALID | ARMED | LAUNCH | EVENTS};
            if (records) {
                memcpy(record, first + from * RECORD_BYTES, RECORD_BYTES);
            }
            memmove(first + (to + 1) * RECORD_BYTES, first + to * RECORD_BYTES,
                (records - to) * RECORD_BYTES);
            memcpy(first + to * RECORD_BYTES, record, RECORD_BYTES);
            mutate_record(first + to * RECORD_BYTES, &state, &image.c);
            return LIFT_IMAGE_BYTES + (records + 1) * RECORD_BYTES;
        }
        break;
    case 3: /* one less */
        if (records > 1) {
            size_t gone = dice(&state) % records;
            memmove(first + gone * RECORD_BYTES, first + (gone + 1) * RECORD_BYTES,
                    (records - gone - 1) * RECORD_BYTES);
            return LIFT_IMAGE_BYTES + (records - 1) * RECORD_BYTES;
        }
        break;
    case 4:
        return LIFT_IMAGE_BYTES + LLVMFuzzerMutate(first, size - LIFT_IMAGE_BYTES,
            max_size - LIFT_IMAGE_BYTES);
    default:
        if (records) {
            for (int32_t n = between(&state, 1, 3); n > 0; n--) {
                mutate_record(first + dice(&state) % records * RECORD_BYTES, &state, &image.c);
            }
        }
    }
    return size;
}
