/* From reset to main, the traps, and the stack's high water, for a RISC-V with a CLINT and a PLIC. */
#include "board.h"

extern uint32_t bss_start, bss_end, stack_bottom, stack_top;

enum { PAINT = 0x5EA51DE5, TIMER_CAUSE = 7, EXTERNAL_CAUSE = 11 };

#define PRIORITY(number) REGISTER(0x0C000000U + 4U * (number))
#define ENABLE REGISTER(0x0C002000U)
#define THRESHOLD REGISTER(0x0C200000U)
#define CLAIM REGISTER(0x0C200004U)
#define TEST_FINISHER REGISTER(0x00100000U)

void reset(void);
void begin(void);
void trap(void);

__attribute__((naked, section(".vectors"), used)) void reset(void) {
    __asm__ volatile("la sp, stack_top\n j begin");
}

__attribute__((interrupt("machine"), aligned(4))) void trap(void) {
    uint32_t cause;
    __asm__ volatile("csrr %0, mcause" : "=r"(cause));
    if (cause == (0x80000000U | TIMER_CAUSE)) {
        timer_interrupt();
    } else if (cause == (0x80000000U | EXTERNAL_CAUSE)) {
        uint32_t number = CLAIM;
        uart_interrupt();
        CLAIM = number;
    } else {
        board_restart(); /* a fault: the host sees that the conversation is forgotten */
    }
}

void begin(void) {
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0;
    }
    uint32_t *here;
    __asm__ volatile("mv %0, sp" : "=r"(here));
    for (uint32_t *to = &stack_bottom; to < here; to++) {
        *to = PAINT;
    }
    device_init();
    PRIORITY(UART_VECTOR) = 1;
    ENABLE = 1U << UART_VECTOR;
    THRESHOLD = 0;
    __asm__ volatile("csrw mtvec, %0" : : "r"(trap));
    __asm__ volatile("csrw mie, %0" : : "r"(1U << TIMER_CAUSE | 1U << EXTERNAL_CAUSE));
    UNLOCK_INTERRUPTS();
    (void)main();
    board_restart();
}

void board_restart(void) {
    TEST_FINISHER = 0x7777;
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
