/* Milliseconds and short times from the SysTick counter at 168 MHz; USART1: received bytes by interrupt, sent ones
 * by waiting. On a real one the PLL must be started and the two pins given to the USART. */
#include "../board.h"

#define TICK_CONTROL REGISTER(0xE000E010U) /* counts down from TICK_LOAD, an interrupt at each turn */
#define TICK_LOAD REGISTER(0xE000E014U)
#define TICK_NOW REGISTER(0xE000E018U)
#define CLOCK_GATES REGISTER(0x40023844U)
#define UART_FLAGS REGISTER(0x40011000U)
#define UART_DATA REGISTER(0x40011004U)
#define UART_DIVISOR REGISTER(0x40011008U)
#define UART_CONTROL REGISTER(0x4001100CU)

enum { HZ = 168000000, TURN_MS = 10, PER_TURN = HZ / 1000 * TURN_MS, UART_HZ = HZ / 2, BAUD = 115200 };
enum { OVERRUN = 1 << 3, CAME = 1 << 5, SENT = 1 << 6, ROOM = 1 << 7 };

static volatile uint32_t ms;
static uint32_t began, overhead;

void device_init(void) {
    CLOCK_GATES |= 1U << 4;
}

void timer_init(void) {
    TICK_LOAD = PER_TURN - 1;
    TICK_NOW = 0;
    TICK_CONTROL = 7;
    timer_begin(NULL);
    overhead = timer_end(NULL);
}

uint32_t timer_ms(void) {
    return ms;
}

void timer_interrupt(void) {
    ms += TURN_MS;
}

void timer_begin(void *self) {
    (void)self;
    LOCK_INTERRUPTS();
    began = TICK_NOW;
}

/* Right up to one turn of the counter. */
uint32_t timer_end(void *self) {
    (void)self;
    uint32_t now = TICK_NOW;
    UNLOCK_INTERRUPTS();
    uint32_t cycles = now <= began ? began - now : began + PER_TURN - now;
    return cycles * 125U / 21U - overhead; /* 1000 / 168 */
}

void uart_init(void) {
    UART_DIVISOR = (UART_HZ + BAUD / 2) / BAUD;
    UART_CONTROL = 1U << 13 | 1U << 5 | 1U << 3 | 1U << 2; /* on, interrupt, sends, receives */
}

void uart_interrupt(void) {
    uint32_t flags = UART_FLAGS;
    while ((flags & CAME) != 0U) {
        ring_put((uint8_t)(UART_DATA & 0xFFU), (flags & OVERRUN) != 0U);
        flags = UART_FLAGS;
    }
}

void uart_write(void *self, const uint8_t *bytes, size_t count) {
    (void)self;
    for (size_t i = 0; i < count; i++) {
        while ((UART_FLAGS & ROOM) == 0U) {
        }
        UART_DATA = bytes[i];
    }
}

void uart_drain(void) {
    while ((UART_FLAGS & SENT) == 0U) {
    }
}
