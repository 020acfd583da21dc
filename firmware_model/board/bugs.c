/* Firmware with one thing wrong, for trying out a bench: functions put between the core and its callers by
 * the linker (--wrap), so that the core itself stays as it is. Compiled in by firmware_model/board/build.py
 * only. */
#include "../core/latch.h"
#include "../core/maps.h"
#include "board.h"

void __real_lift_step(lift_controller_t *ll, const lift_inputs_t *in);
void __wrap_lift_step(lift_controller_t *ll, const lift_inputs_t *in);
void __real_lift_outputs(const lift_controller_t *ll, lift_outputs_t *out);
void __wrap_lift_outputs(const lift_controller_t *ll, lift_outputs_t *out);
void __real_lift_latch_step(lift_latch_t *l, int32_t value);
void __wrap_lift_latch_step(lift_latch_t *l, int32_t value);
void __real_lift_maps_look(lift_maps_t *m, int32_t lift, int32_t progress);
void __wrap_lift_maps_look(lift_maps_t *m, int32_t lift, int32_t progress);
void __real_lift_maps_look_out_of_sight(lift_maps_t *m, int32_t end_lift, int32_t progress);
void __wrap_lift_maps_look_out_of_sight(lift_maps_t *m, int32_t end_lift, int32_t progress);

/* A loop of 1 + 2 * LIFT_PASSES instructions. */
#if defined(LIFT_BUG_KNOWN_LOOP) || defined(LIFT_BUG_SLOW_TICK)
static void spin(void) {
    uint32_t passes = LIFT_PASSES;
    __asm__ volatile("1: subs %0, #1\n bne 1b" : "+r"(passes) : : "cc");
}
#endif

#if defined(LIFT_BUG_HOLD_SHORT) /* the hold ends one tick too soon (against L3) */
void __wrap_lift_latch_step(lift_latch_t *l, int32_t value) {
    if (l == &board_controller.reduction && l->hold_left == 1) {
        lift_latch_t trial = *l;
        __real_lift_latch_step(&trial, value);
        if (trial.demand < l->output) {
            l->hold_left = 0;
        }
    }
    __real_lift_latch_step(l, value);
}
#elif defined(LIFT_BUG_PEAK_LOST) /* a falling demand is followed at once (against L2) */
void __wrap_lift_latch_step(lift_latch_t *l, int32_t value) {
    __real_lift_latch_step(l, value);
    if (l == &board_controller.reduction && l->state == LIFT_HOLD) {
        l->output = l->demand;
    }
}
#elif defined(LIFT_BUG_RELEASE_LOW) /* the release is not raised to the demand (against L4) */
void __wrap_lift_latch_step(lift_latch_t *l, int32_t value) {
    int32_t before = l->state == LIFT_RELEASE ? l->ramp : l->output << 16;
    __real_lift_latch_step(l, value);
    if (l == &board_controller.reduction && l->state == LIFT_RELEASE) {
        l->ramp = 0 < l->release && l->release < before ? before - l->release : 0;
        l->output = l->ramp >> 16;
    }
}
#elif defined(LIFT_BUG_TICK_WRAP) /* the tick number after 65535 is taken for a wrong one */
void __wrap_lift_step(lift_controller_t *ll, const lift_inputs_t *in) {
    bool wraps = ll->started && ll->tick == LIFT_TICK_NUMBER_MASK && in->tick == 0;
    __real_lift_step(ll, in);
    if (wraps) {
        ll->faults |= LIFT_FAULT_TICK;
    }
}
#elif defined(LIFT_BUG_TABLE_EDGE) /* from the last lift on, the maps give the row before it (against M1) */
static bool beyond(const lift_maps_t *m, int32_t lift, int32_t *inside) {
    const lift_image_t *c = m->calibration;
    int32_t last = c->lift_points - 1;
    *inside = c->lift_axis[last > 0 ? last - 1 : 0];
    return lift >= c->lift_axis[last];
}

void __wrap_lift_maps_look(lift_maps_t *m, int32_t lift, int32_t progress) {
    int32_t inside;
    __real_lift_maps_look(m, beyond(m, lift, &inside) ? inside : lift, progress);
}

void __wrap_lift_maps_look_out_of_sight(lift_maps_t *m, int32_t end_lift, int32_t progress) {
    int32_t inside;
    if (beyond(m, end_lift, &inside)) {
        __real_lift_maps_look(m, inside, progress);
    } else {
        __real_lift_maps_look_out_of_sight(m, end_lift, progress);
    }
}
#elif defined(LIFT_BUG_SLOW_TICK) /* right outputs, but one tick takes longer than a tick lasts */
void __wrap_lift_step(lift_controller_t *ll, const lift_inputs_t *in) {
    __real_lift_step(ll, in);
    if (in->tick == 65100) {
        spin();
    }
}
#elif defined(LIFT_BUG_TICK_COST) /* tells each tick's time, in nanoseconds, in the place of hold_left */
static uint32_t cost;

void __wrap_lift_step(lift_controller_t *ll, const lift_inputs_t *in) {
    lift_outputs_t out;
    timer_begin(NULL);
    __real_lift_step(ll, in);
    __real_lift_outputs(ll, &out);
    cost = timer_end(NULL);
}

void __wrap_lift_outputs(const lift_controller_t *ll, lift_outputs_t *out) {
    __real_lift_outputs(ll, out);
    out->hold_left = (int32_t)cost;
}
#elif defined(LIFT_BUG_INTERRUPTED) /* a fast timer's interrupt does what a crank's does, in the middle of ticks */
void __real_timer_init(void);
void __wrap_timer_init(void);
void __wrap_timer_interrupt(void);
void __wrap_timer_begin(void *self);
uint32_t __wrap_timer_end(void *self);

static volatile bool inside;
static volatile int32_t in_steps, broken;

void __wrap_timer_init(void) {
    __real_timer_init();
    REGISTER(0x40030028U) = BOARD_HZ / 20000 - 1;
}

/* The host's outside request makes reduction, retard and reason from one number. */
void __wrap_timer_interrupt(void) {
    REGISTER(0x40030024U) = 1;
    lift_acting_t now;
    lift_acting(&board_controller, &now);
    int32_t of = now.reason - LIFT_REASON_OUTSIDE_FIRST;
    int32_t before = board_controller.events.integral;
    int32_t cylinder = in_steps % 8 + 1;
    int32_t bits = lift_event(&board_controller, cylinder);
    int32_t grown = board_controller.events.integral - before;
    bool whole = of >= 0 ? now.reduction == 4 * of + 4 && now.retard == 3 * of + 1
                         : now.reduction == 0 && now.retard == 0 && now.reason == 0;
    if (!whole || lift_spark(&board_controller, cylinder) != (bits & LIFT_SPARK_OFF) ||
        (grown != now.reduction && grown != now.reduction - 8 * LIFT_FULL * LIFT_EVENT_WRAPS)) {
        broken++;
    }
    in_steps += inside ? 1 : 0;
}

void __wrap_timer_begin(void *self) {
    (void)self;
}

uint32_t __wrap_timer_end(void *self) {
    (void)self;
    return 0;
}

void __wrap_lift_step(lift_controller_t *ll, const lift_inputs_t *in) {
    inside = true;
    __real_lift_step(ll, in);
    inside = false;
}

/* Tells how many interrupts came in the middle of ticks in the place of hold_left, broken sets as elapsed_ms. */
void __wrap_lift_outputs(const lift_controller_t *ll, lift_outputs_t *out) {
    __real_lift_outputs(ll, out);
    out->hold_left = in_steps;
    out->elapsed_ms = broken;
}
#elif defined(LIFT_BUG_KNOWN_LOOP) /* no controller, but a known number of instructions */
void __wrap_lift_step(lift_controller_t *ll, const lift_inputs_t *in) {
    (void)ll;
    (void)in;
    spin();
}
#endif
