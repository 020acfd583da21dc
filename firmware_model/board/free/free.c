/* A firmware that runs by itself, in the place of main.c: a timer's interrupt steps the controller, the crank's
 * asks it for each event, in the middle of a step too. For the LM3S6965; what a sensor and a crank would bring
 * stands in a table (table.h, which whoever builds it gives), and what the engine would feel leaves by the serial
 * port at the end: for each crank event when its injector opened and when its coil is due, in microseconds since
 * the start, 0 for not at all; 8 bytes. */
#include "../board.h"
#include "table.h"

enum { TICK_VECTOR = 15, CYCLES_US = BOARD_HZ / 1000000, SWITCH_VALID = 1, SWITCH_ARMED = 2, SWITCH_LAUNCH = 4 };
enum { LEAD = 200 }; /* 0.1 degree from a crank event to its spark without retard */

#define TIMER_CONFIG REGISTER(0x40030000U)
#define TIMER_MODE REGISTER(0x40030004U)
#define TIMER_CONTROL REGISTER(0x4003000CU)
#define TIMER_INTERRUPTS REGISTER(0x40030018U)
#define TIMER_CLEAR REGISTER(0x40030024U)
#define TIMER_LOAD REGISTER(0x40030028U)
#define CLOCK_GATES REGISTER(0x400FE104U)
#define TICK_CONTROL REGISTER(0xE000E010U)
#define TICK_LOAD REGISTER(0xE000E014U)
#define TICK_NOW REGISTER(0xE000E018U)
#define PENDING REGISTER(0xE000ED04U)
#define VECTORS_AT REGISTER(0xE000ED08U)
#define TICK_PRIORITY REGISTER(0xE000ED20U)

lift_controller_t board_controller;

typedef void (*vector_t)(void);
static vector_t vectors[64] __attribute__((aligned(256)));
static volatile uint32_t ticks;  /* begun so far */
static volatile uint32_t events; /* crank events so far */
static struct {
    uint32_t injector, coil; /* us */
} edges[TABLE_EVENTS];

/* Microseconds since the start; also in the middle of everything, with a tick's interrupt waiting. */
static uint32_t now_us(void) {
    uint32_t left = TICK_NOW;
    uint32_t waits = PENDING >> 26 & 1U;
    if (waits != 0U) {
        left = TICK_NOW;
    }
    return (ticks + waits) * TABLE_TICK_US + (TABLE_TICK_US * CYCLES_US - 1U - left) / CYCLES_US;
}

static void tick(void) {
    uint32_t n = ticks;
    ticks = n + 1U;
    if (n >= TABLE_TICKS) {
        return;
    }
    const table_row_t *row = &TABLE_ROWS[n];
    lift_inputs_t in = {
        .tick = (int32_t)(n & 0xFFFFU),
        .counts = row->counts,
        .speed = row->speed,
        .speed_valid = row->switches & SWITCH_VALID,
        .engine_speed = row->engine,
        .shaft_speed = row->shaft,
        .armed = row->switches & SWITCH_ARMED,
        .launch = row->switches & SWITCH_LAUNCH,
        .request_reduction = row->request_reduction,
        .request_retard = row->request_retard,
        .request_reason = row->request_reason,
    };
    lift_step(&board_controller, &in);
}

static void next_crank(uint32_t now) {
    if (events < TABLE_EVENTS) {
        uint32_t at = TABLE_CRANK[events];
        TIMER_LOAD = (at > now ? at - now : 1U) * CYCLES_US;
        TIMER_CONTROL = 1;
    }
}

static void crank(void) {
    TIMER_CLEAR = 1;
    const lift_image_t *c = board_controller.calibration;
    uint32_t i = events, now = now_us();
    int32_t bits = lift_event(&board_controller, c->firing_order[i % c->cylinders]);
    lift_acting_t acting;
    lift_acting(&board_controller, &acting);
    uint32_t gap = i > 0U ? TABLE_CRANK[i] - TABLE_CRANK[i - 1U] : TABLE_CRANK[1] - TABLE_CRANK[0];
    uint32_t degrees = (uint32_t)(LEAD + acting.retard); /* an event is 7200 / cylinders tenths of a degree */
    edges[i].injector = (bits & LIFT_FUEL_OFF) != 0 ? 0U : now;
    edges[i].coil = (bits & LIFT_SPARK_OFF) != 0 ? 0U : now + gap * degrees / (7200U / c->cylinders);
    events = i + 1U;
    next_crank(now_us());
}

int main(void) {
    lift_init(&board_controller);
    if (lift_load(&board_controller, (const uint8_t *)TABLE_IMAGE, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) {
        return 0;
    }
    uart_init();
    for (uint32_t i = 0; i < VECTORS; i++) {
        vectors[i] = ((const vector_t *)VECTORS_AT)[i];
    }
    vectors[TICK_VECTOR] = tick;
    vectors[TIMER_VECTOR] = crank;
    VECTORS_AT = (uint32_t)vectors;
    TICK_PRIORITY = 0x80U << 24; /* so that the crank may interrupt a step */
    CLOCK_GATES |= 1U << 16;
    TIMER_CONFIG = 0;
    TIMER_MODE = 1; /* once */
    TIMER_INTERRUPTS = 1;
    TICK_LOAD = TABLE_TICK_US * CYCLES_US - 1U;
    TICK_NOW = 0;
    TICK_CONTROL = 7;
    next_crank(0);
    while (ticks < TABLE_TICKS || events < TABLE_EVENTS) {
        /* Not asleep: the emulator's time is then its instructions', on every machine the same. */
    }
    TICK_CONTROL = 0;
    uart_write(NULL, (const uint8_t *)edges, sizeof(edges));
    uart_drain();
    for (;;) {
        WAIT_FOR_INTERRUPT();
    }
}
