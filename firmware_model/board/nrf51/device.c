/* Milliseconds and short times from TIMER0 at 16 MHz; UART: received bytes by interrupt, sent ones by waiting.
 * On a real one the crystal must be started and the two pins given to the UART. */
#include "../board.h"

#define TIMER(offset) REGISTER(0x40008000U + (offset))
#define TIMER_START TIMER(0x000U)
#define TIMER_CAPTURE_1 TIMER(0x044U)
#define TIMER_MET_0 TIMER(0x140U)
#define TIMER_INTERRUPTS TIMER(0x304U)
#define TIMER_WIDTH TIMER(0x508U)
#define TIMER_PRESCALER TIMER(0x510U)
#define TIMER_AT_0 TIMER(0x540U)
#define TIMER_AT_1 TIMER(0x544U)
#define UART(offset) REGISTER(0x40002000U + (offset))
#define UART_RECEIVES UART(0x000U)
#define UART_SENDS UART(0x008U)
#define UART_CAME UART(0x108U)
#define UART_SENT UART(0x11CU)
#define UART_INTERRUPTS UART(0x304U)
#define UART_ON UART(0x500U)
#define UART_IN UART(0x518U)
#define UART_OUT UART(0x51CU)
#define UART_BAUD UART(0x524U)

enum { PER_MS = 16000 };

static volatile uint32_t ms;
static uint32_t began, overhead;

void device_init(void) {
}

void timer_init(void) {
    TIMER_WIDTH = 3; /* 32 bits */
    TIMER_PRESCALER = 0;
    TIMER_AT_0 = PER_MS;
    TIMER_INTERRUPTS = 1U << 16;
    TIMER_START = 1;
    timer_begin(NULL);
    overhead = timer_end(NULL);
}

uint32_t timer_ms(void) {
    return ms;
}

void timer_interrupt(void) {
    TIMER_MET_0 = 0;
    TIMER_AT_0 += PER_MS;
    ms += 1U;
}

static uint32_t now(void) {
    TIMER_CAPTURE_1 = 1;
    return TIMER_AT_1;
}

void timer_begin(void *self) {
    (void)self;
    LOCK_INTERRUPTS();
    began = now();
}

uint32_t timer_end(void *self) {
    (void)self;
    uint32_t sixteenths = now() - began;
    UNLOCK_INTERRUPTS();
    return sixteenths * 125U / 2U - overhead;
}

void uart_init(void) {
    UART_BAUD = 0x01D7E000U; /* 115200 */
    UART_ON = 4;
    UART_INTERRUPTS = 1U << 2;
    UART_RECEIVES = 1;
    UART_SENDS = 1;
}

void uart_interrupt(void) {
    while (UART_CAME != 0U) {
        UART_CAME = 0;
        ring_put((uint8_t)(UART_IN & 0xFFU), false);
    }
}

void uart_write(void *self, const uint8_t *bytes, size_t count) {
    (void)self;
    for (size_t i = 0; i < count; i++) {
        UART_SENT = 0;
        UART_OUT = bytes[i];
        while (UART_SENT == 0U) {
        }
    }
}

void uart_drain(void) {
}
