/* Lets a timer interrupt lift_step at any place with lift_event and lift_spark. The outside request asks for
 * the same reduction at every tick, so that an interrupt must always see it, and what is not about events
 * must come out as without interrupts. Standard input: the image. Prints how many interrupts came. */
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/time.h>

#include "events.h"

enum { TICKS = 300000, ASKED = 437 };

static union {
    uint32_t place[512];
    uint8_t bytes[2048];
} image;
static lift_controller_t controller, quiet;
static volatile sig_atomic_t interrupts, wrong;

static void fuel_is_due(int number) {
    (void)number;
    int32_t before = controller.events.integral;
    int32_t cylinder = (int32_t)interrupts % 8 + 1;
    int32_t bits = lift_event(&controller, cylinder);
    int32_t grown = controller.events.integral - before;
    if (grown != ASKED && grown != ASKED - 8 * LIFT_FULL * LIFT_EVENT_WRAPS) {
        wrong = 1;
    }
    if (lift_spark(&controller, cylinder) != (bits & LIFT_SPARK_OFF)) {
        wrong = 2;
    }
    interrupts++;
}

static void step(lift_controller_t *ll, int32_t i) {
    lift_inputs_t in = {i & 0xFFFF, 1000 + i % 2500, i % 2000, 1, 7000, 3000, 1, i > 100, ASKED, 0, 20};
    lift_step(ll, &in);
}

int main(void) {
    size_t length = fread(image.bytes, 1, sizeof(image), stdin);
    struct itimerval often = {{0, 50}, {0, 50}}, never = {{0, 0}, {0, 0}};
    lift_init(&controller);
    lift_init(&quiet);
    if (lift_load(&controller, image.bytes, length) != 0 || lift_load(&quiet, image.bytes, length) != 0) {
        return 2;
    }
    step(&controller, 0);
    signal(SIGALRM, fuel_is_due);
    setitimer(ITIMER_REAL, &often, NULL);
    for (int32_t i = 1; i < TICKS; i++) {
        step(&controller, i);
    }
    setitimer(ITIMER_REAL, &never, NULL);
    for (int32_t i = 0; i < TICKS; i++) {
        step(&quiet, i);
    }
    lift_events_reset(&controller.events);
    if (wrong != 0 || lift_digest(&controller) != lift_digest(&quiet)) {
        fprintf(stderr, "wrong %d\n", (int)wrong);
        return 1;
    }
    printf("%d\n", (int)interrupts);
    return 0;
}
