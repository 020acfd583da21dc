/* Which cylinder events are skipped: see events.h. */
#include "events.h"

#include "fixed.h"

void lift_events_calibrate(lift_events_t *e, const lift_image_t *calibration) {
    e->cylinders = calibration->cylinders;
    e->bits = calibration->event_bits;
    for (int32_t i = 0; i < LIFT_CYLINDERS + 1; i++) {
        e->place[i] = -1;
    }
    for (int32_t i = 0; i < calibration->cylinders; i++) {
        e->place[calibration->firing_order[i]] = (int8_t)i;
    }
}

void lift_events_reset(lift_events_t *e) {
    e->integral = 0;
    for (int32_t i = 0; i < LIFT_CYLINDERS; i++) {
        e->mark[i] = 0;
        e->skipped[i] = 0;
    }
}

int32_t lift_events_event(lift_events_t *e, int32_t cylinder, int32_t reduction) {
    if (cylinder < 1 || cylinder > LIFT_CYLINDERS) {
        return 0;
    }
    int32_t place = e->place[cylinder];
    if (place < 0) {
        return 0;
    }
    int32_t cycle = LIFT_FULL * e->cylinders; /* 12000 at most: integrals and marks stay below 17 * 12000 */
    e->integral += reduction;
    if (e->integral >= cycle * LIFT_EVENT_WRAPS) {
        e->integral -= cycle * LIFT_EVENT_WRAPS;
    }
    int32_t mark = (e->integral + LIFT_FULL * place) / cycle % LIFT_EVENT_WRAPS;
    bool moved = mark != e->mark[place];
    e->mark[place] = (int8_t)mark;
    /* At the ends the decision does not wait for the integral (C3). */
    bool skip = reduction >= LIFT_FULL || (moved && reduction > 0);
    e->skipped[place] = (int8_t)(skip ? e->bits : 0);
    return e->skipped[place];
}

int32_t lift_events_spark(const lift_events_t *e, int32_t cylinder) {
    if (cylinder < 1 || cylinder > LIFT_CYLINDERS) {
        return 0;
    }
    int32_t place = e->place[cylinder];
    return place >= 0 ? e->skipped[place] & LIFT_SPARK_OFF : 0;
}

uint32_t lift_events_digest(const lift_events_t *e, uint32_t crc) {
    crc = lift_crc32_word(crc, e->integral);
    for (int32_t i = 0; i < LIFT_CYLINDERS; i++) {
        crc = lift_crc32_word(crc, e->mark[i]);
        crc = lift_crc32_word(crc, e->skipped[i]);
    }
    return crc;
}
