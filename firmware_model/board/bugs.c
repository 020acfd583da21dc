/* Firmware with one thing wrong, for trying out a bench: functions put between the core and its callers by the
 * linker (--wrap), so that the core itself stays as it is. Compiled in by firmware_model/board/build.py only. */
#include "../core/latch.h"
#include "../core/maps.h"
#include "board.h"

void __real_ll_step(ll_controller_t *ll, const ll_inputs_t *in);
void __wrap_ll_step(ll_controller_t *ll, const ll_inputs_t *in);
void __real_ll_outputs(const ll_controller_t *ll, ll_outputs_t *out);
void __wrap_ll_outputs(const ll_controller_t *ll, ll_outputs_t *out);
void __real_ll_latch_step(ll_latch_t *l, int32_t value);
void __wrap_ll_latch_step(ll_latch_t *l, int32_t value);
void __real_ll_maps_look(ll_maps_t *m, int32_t lift, int32_t progress);
void __wrap_ll_maps_look(ll_maps_t *m, int32_t lift, int32_t progress);
void __real_ll_maps_look_out_of_sight(ll_maps_t *m, int32_t end_lift, int32_t progress);
void __wrap_ll_maps_look_out_of_sight(ll_maps_t *m, int32_t end_lift, int32_t progress);

/* A loop of 1 + 2 * LL_PASSES instructions. */
#if defined(LL_BUG_KNOWN_LOOP) || defined(LL_BUG_SLOW_TICK)
static void spin(void) {
    uint32_t passes = LL_PASSES;
    __asm__ volatile("1: subs %0, #1\n bne 1b" : "+r"(passes) : : "cc");
}
#endif

#if defined(LL_BUG_HOLD_SHORT) /* the hold ends one tick too soon (against L3) */
void __wrap_ll_latch_step(ll_latch_t *l, int32_t value) {
    if (l == &board_controller.reduction && l->hold_left == 1) {
        ll_latch_t trial = *l;
        __real_ll_latch_step(&trial, value);
        if (trial.demand < l->output) {
            l->hold_left = 0;
        }
    }
    __real_ll_latch_step(l, value);
}
#elif defined(LL_BUG_PEAK_LOST) /* a falling demand is followed at once (against L2) */
void __wrap_ll_latch_step(ll_latch_t *l, int32_t value) {
    __real_ll_latch_step(l, value);
    if (l == &board_controller.reduction && l->state == LL_HOLD) {
        l->output = l->demand;
    }
}
#elif defined(LL_BUG_RELEASE_LOW) /* the release is not raised to the demand (against L4) */
void __wrap_ll_latch_step(ll_latch_t *l, int32_t value) {
    __real_ll_latch_step(l, value);
    if (l == &board_controller.reduction && l->state == LL_RELEASE) {
        l->output = l->ramp >> 16;
    }
}
#elif defined(LL_BUG_TICK_WRAP) /* the tick number after 65535 is taken for a wrong one */
void __wrap_ll_step(ll_controller_t *ll, const ll_inputs_t *in) {
    bool wraps = ll->started && ll->tick == LL_TICK_NUMBER_MASK && in->tick == 0;
    __real_ll_step(ll, in);
    if (wraps) {
        ll->faults |= LL_FAULT_TICK;
    }
}
#elif defined(LL_BUG_TABLE_EDGE) /* from the last lift on, the maps give the row before it (against M1) */
static bool beyond(const ll_maps_t *m, int32_t lift, int32_t *inside) {
    const ll_image_t *c = m->calibration;
    int32_t last = c->lift_points - 1;
    *inside = c->lift_axis[last > 0 ? last - 1 : 0];
    return lift >= c->lift_axis[last];
}

void __wrap_ll_maps_look(ll_maps_t *m, int32_t lift, int32_t progress) {
    int32_t inside;
    __real_ll_maps_look(m, beyond(m, lift, &inside) ? inside : lift, progress);
}

void __wrap_ll_maps_look_out_of_sight(ll_maps_t *m, int32_t end_lift, int32_t progress) {
    int32_t inside;
    if (beyond(m, end_lift, &inside)) {
        __real_ll_maps_look(m, inside, progress);
    } else {
        __real_ll_maps_look_out_of_sight(m, end_lift, progress);
    }
}
#elif defined(LL_BUG_SLOW_TICK) /* right outputs, but one tick takes longer than a tick lasts */
void __wrap_ll_step(ll_controller_t *ll, const ll_inputs_t *in) {
    __real_ll_step(ll, in);
    if (in->tick == 65100) {
        spin();
    }
}
#elif defined(LL_BUG_TICK_COST) /* tells each tick's time, in nanoseconds, in the place of hold_left */
static uint32_t cost;

void __wrap_ll_step(ll_controller_t *ll, const ll_inputs_t *in) {
    ll_outputs_t out;
    timer_begin(NULL);
    __real_ll_step(ll, in);
    __real_ll_outputs(ll, &out);
    cost = timer_end(NULL);
}

void __wrap_ll_outputs(const ll_controller_t *ll, ll_outputs_t *out) {
    __real_ll_outputs(ll, out);
    out->hold_left = (int32_t)cost;
}
#elif defined(LL_BUG_KNOWN_LOOP) /* no controller, but a known number of instructions: is the count right? */
void __wrap_ll_step(ll_controller_t *ll, const ll_inputs_t *in) {
    (void)ll;
    (void)in;
    spin();
}
#endif
