/* From reset to main, the vectors, and the stack's high water. */
#include "board.h"

extern uint32_t bss_start, bss_end, stack_bottom, stack_top;

enum { PAINT = 0x5EA51DE5 };

#define CLOCK_CONFIG REGISTER(0x400FE060U)
#define INTERRUPT_ENABLE REGISTER(0xE000E100U)
#define RESET_CONTROL REGISTER(0xE000ED0CU)

enum { UART0_INTERRUPT = 5, TIMER0_INTERRUPT = 19, VECTORS = 16 + 20 };

void reset(void);

void reset(void) {
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0;
    }
    uint32_t *here;
    __asm__ volatile("mov %0, sp" : "=r"(here));
    for (uint32_t *to = &stack_bottom; to < here; to++) {
        *to = PAINT;
    }
    CLOCK_CONFIG = 3U << 23 | 1U << 22; /* the 200 MHz of the PLL divided by 4 */
    INTERRUPT_ENABLE = 1U << UART0_INTERRUPT | 1U << TIMER0_INTERRUPT;
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
__attribute__((section(".vectors"), used)) static const vector_t VECTOR_TABLE[VECTORS] = {
    [0] = (vector_t)(void *)&stack_top,
    [1] = reset,
    [2 ... 15] = board_restart,
    [16 + UART0_INTERRUPT] = uart_interrupt,
    [16 + TIMER0_INTERRUPT] = timer_interrupt,
};
