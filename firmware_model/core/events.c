/* Which cylinder events are skipped: see events.h. */
#include "events.h"

#include "fixed.h"

void ll_events_calibrate(ll_events_t *e, const ll_image_t *calibration) {
    e->cylinders = calibration->cylinders;
    e->bits = calibration->event_bits;
    for (int32_t i = 0; i < LL_CYLINDERS + 1; i++) {
        e->place[i] = -1;
    }
    for (int32_t i = 0; i < calibration->cylinders; i++) {
        e->place[calibration->firing_order[i]] = (int8_t)i;
    }
}

void ll_events_reset(ll_events_t *e) {
    e->integral = 0;
    for (int32_t i = 0; i < LL_CYLINDERS; i++) {
        e->mark[i] = 0;
        e->skipped[i] = 0;
    }
}

int32_t ll_events_event(ll_events_t *e, int32_t cylinder, int32_t reduction) {
    if (cylinder < 1 || cylinder > LL_CYLINDERS) {
        return 0;
    }
    int32_t place = e->place[cylinder];
    if (place < 0) {
        return 0;
    }
    int32_t cycle = LL_FULL * e->cylinders; /* 12000 at most: integrals and marks stay below 17 * 12000 */
    e->integral += reduction;
    if (e->integral >= cycle * LL_EVENT_WRAPS) {
        e->integral -= cycle * LL_EVENT_WRAPS;
    }
    int32_t mark = (e->integral + LL_FULL * place) / cycle % LL_EVENT_WRAPS;
    bool moved = mark != e->mark[place];
    e->mark[place] = (int8_t)mark;
    /* At the ends the decision does not wait for the integral (C3). */
    bool skip = reduction >= LL_FULL || (moved && reduction > 0);
    e->skipped[place] = (int8_t)(skip ? e->bits : 0);
    return e->skipped[place];
}

int32_t ll_events_spark(const ll_events_t *e, int32_t cylinder) {
    if (cylinder < 1 || cylinder > LL_CYLINDERS) {
        return 0;
    }
    int32_t place = e->place[cylinder];
    return place >= 0 ? e->skipped[place] & LL_SPARK_OFF : 0;
}

uint32_t ll_events_digest(const ll_events_t *e, uint32_t crc) {
    crc = ll_crc32_word(crc, e->integral);
    for (int32_t i = 0; i < LL_CYLINDERS; i++) {
        crc = ll_crc32_word(crc, e->mark[i]);
        crc = ll_crc32_word(crc, e->skipped[i]);
    }
    return crc;
}
