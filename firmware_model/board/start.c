/* From reset to main, the vectors, and the stack's high water, for every Cortex-M. */
#include "board.h"

extern uint32_t bss_start, bss_end, stack_bottom, stack_top;

enum { PAINT = 0x5EA51DE5 };

#define INTERRUPT_ENABLE(number) REGISTER(0xE000E100U + (uint32_t)(number) / 32U * 4U)
#define RESET_CONTROL REGISTER(0xE000ED0CU)

void reset(void);

static void enable(int32_t vector) {
    if (vector >= 16) { /* those before are the processor's own */
        INTERRUPT_ENABLE(vector - 16) = 1U << ((vector - 16) & 31);
    }
}

void reset(void) {
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0;
    }
    uint32_t *here;
    __asm__ volatile("mov %0, sp" : "=r"(here));
    for (uint32_t *to = &stack_bottom; to < here; to++) {
        *to = PAINT;
    }
    device_init();
    enable(UART_VECTOR);
    enable(TIMER_VECTOR);
    (void)main();
    board_restart();
}

void board_restart(void) {
    RESET_CONTROL = 0x05FA0004U;
    for (;;) {
    }
}

uint32_t board_stack_bytes(void *self) {
    (void)self;
    const uint32_t *at = &stack_bottom;
    while (at < &stack_top && *at == PAINT) {
        at++;
    }
    return (uint32_t)(&stack_top - at) * 4U;
}

void board_lock(void *self) {
    (void)self;
    LOCK_INTERRUPTS();
}

void board_unlock(void *self) {
    (void)self;
    UNLOCK_INTERRUPTS();
}

/* A fault of the processor ends in a restart, which the host sees: the conversation is forgotten. */
typedef void (*vector_t)(void);
#pragma GCC diagnostic ignored "-Woverride-init" /* some of all the faults' places are the device's */
__attribute__((section(".vectors"), used)) static const vector_t VECTOR_TABLE[VECTORS] = {
    [0] = (vector_t)(void *)&stack_top,
    [1] = reset,
    [2 ... VECTORS - 1] = board_restart,
    [UART_VECTOR] = uart_interrupt,
    [TIMER_VECTOR] = timer_interrupt,
};
