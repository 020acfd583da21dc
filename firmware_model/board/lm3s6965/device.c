/* Milliseconds from a timer's interrupt; short times from the processor's own counter. UART0 (PL011): received
 * bytes by interrupt, sent ones by waiting for room. */
#include "../board.h"

#define CLOCK_CONFIG REGISTER(0x400FE060U)
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
#define UART_DATA REGISTER(0x4000C000U)
#define UART_FLAGS REGISTER(0x4000C018U)
#define UART_DIVISOR REGISTER(0x4000C024U)
#define UART_FRACTION REGISTER(0x4000C028U)
#define UART_LINE REGISTER(0x4000C02CU)
#define UART_CONTROL REGISTER(0x4000C030U)
#define UART_MASK REGISTER(0x4000C038U)
#define UART_CLEAR REGISTER(0x4000C044U)

enum { CYCLES_MASK = 0xFFFFFF };
enum { BUSY = 1 << 3, NOTHING_CAME = 1 << 4, NO_ROOM = 1 << 5, OVERRUN = 1 << 11, CAME = 1 << 4, CAME_LATE = 1 << 6 };
enum { BAUD = 115200, DIVISOR_64 = (BOARD_HZ * 4 + BAUD / 2) / BAUD };

static volatile uint32_t ms;
static uint32_t began;
static uint32_t overhead;

void device_init(void) {
    CLOCK_CONFIG = 3U << 23 | 1U << 22; /* the 200 MHz of the PLL divided by 4 */
}

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
    return cycles * (1000000000 / BOARD_HZ) - overhead;
}

void uart_init(void) {
    CLOCK_GATES |= 1;
    UART_DIVISOR = DIVISOR_64 / 64;
    UART_FRACTION = DIVISOR_64 % 64;
    UART_LINE = 3U << 5 | 1U << 4; /* 8N1, FIFOs on */
    UART_MASK = CAME | CAME_LATE;
    UART_CONTROL = 1U << 9 | 1U << 8 | 1U;
}

void uart_interrupt(void) {
    UART_CLEAR = CAME | CAME_LATE;
    while ((UART_FLAGS & NOTHING_CAME) == 0U) {
        uint32_t data = UART_DATA;
        ring_put((uint8_t)(data & 0xFFU), (data & OVERRUN) != 0U);
    }
}

void uart_write(void *self, const uint8_t *bytes, size_t count) {
    (void)self;
    for (size_t i = 0; i < count; i++) {
        while ((UART_FLAGS & NO_ROOM) != 0U) {
        }
        UART_DATA = bytes[i];
    }
}

void uart_drain(void) {
    while ((UART_FLAGS & BUSY) != 0U) {
    }
}
