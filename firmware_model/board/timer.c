/* Milliseconds from a timer's interrupt; short times from the processor's own counter. */
#include "board.h"

#define CLOCK_GATES REGISTER(0x400FE104U)
#define TIMER_CONFIG REGISTER(0x40030000U)
#define TIMER_MODE REGISTER(0x40030004U)
#define TIMER_CONTROL REGISTER(0x4003000CU)
#define TIMER_INTERRUPTS REGISTER(0x40030018U)
#define TIMER_CLEAR REGISTER(0x40030024U)
#define TIMER_LOAD REGISTER(0x40030028U)
#define CYCLES_CONTROL REGISTER(0xE000E010U) /* counts down from CYCLES_LOAD, 24 bits: 335 ms */
#define CYCLES_LOAD REGISTER(0xE000E014U)
#define CYCLES_NOW REGISTER(0xE000E018U)

enum { CYCLES_MASK = 0xFFFFFF };

static volatile uint32_t ms;
static uint32_t began;
static uint32_t overhead;

void timer_init(void) {
    CYCLES_LOAD = CYCLES_MASK;
    CYCLES_NOW = 0;
    CYCLES_CONTROL = 1U << 2 | 1U;
    CLOCK_GATES |= 1U << 16;
    TIMER_CONFIG = 0;
    TIMER_MODE = 2;
    TIMER_LOAD = BOARD_HZ / 1000 - 1;
    TIMER_INTERRUPTS = 1;
    TIMER_CONTROL = 1;
    timer_begin(NULL);
    overhead = timer_end(NULL);
}

uint32_t timer_ms(void) {
    return ms;
}

void timer_interrupt(void) {
    TIMER_CLEAR = 1;
    ms += 1U;
}

void timer_begin(void *self) {
    (void)self;
    LOCK_INTERRUPTS();
    began = CYCLES_NOW;
}

uint32_t timer_end(void *self) {
    (void)self;
    uint32_t cycles = (began - CYCLES_NOW) & CYCLES_MASK;
    UNLOCK_INTERRUPTS();
    return cycles * BOARD_NS_PER_CYCLE - overhead;
}
