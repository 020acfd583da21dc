/* Milliseconds from the CLINT at 10 MHz, short times from the cycle counter (nanoseconds under the emulator's
 * -icount); a 16550: received bytes by interrupt, sent ones by waiting for room. */
#include "../board.h"

#define BYTE(address) (*(volatile uint8_t *)(address))
#define TIME_LOW REGISTER(0x0200BFF8U)
#define TIME_HIGH REGISTER(0x0200BFFCU)
#define NEXT_LOW REGISTER(0x02004000U)
#define NEXT_HIGH REGISTER(0x02004004U)
#define UART_DATA BYTE(0x10000000U)
#define UART_INTERRUPTS BYTE(0x10000001U)
#define UART_FIFO BYTE(0x10000002U)
#define UART_LINE BYTE(0x10000003U)
#define UART_FLAGS BYTE(0x10000005U)

enum { PER_MS = 10000, CAME = 1 << 0, OVERRUN = 1 << 1, ROOM = 1 << 5, SENT = 1 << 6 };

static volatile uint32_t ms;
static uint64_t next;
static uint32_t began, overhead;

static uint32_t cycles(void) {
    uint32_t now;
    __asm__ volatile("rdcycle %0" : "=r"(now));
    return now;
}

void device_init(void) {
}

static void wait_for_next(void) {
    next += PER_MS;
    NEXT_HIGH = UINT32_MAX; /* so that no half-written time is met */
    NEXT_LOW = (uint32_t)next;
    NEXT_HIGH = (uint32_t)(next >> 32);
}

void timer_init(void) {
    next = (uint64_t)TIME_HIGH << 32 | TIME_LOW;
    wait_for_next();
    timer_begin(NULL);
    overhead = timer_end(NULL);
}

uint32_t timer_ms(void) {
    return ms;
}

void timer_interrupt(void) {
    wait_for_next();
    ms += 1U;
}

void timer_begin(void *self) {
    (void)self;
    LOCK_INTERRUPTS();
    began = cycles();
}

uint32_t timer_end(void *self) {
    (void)self;
    uint32_t took = cycles() - began;
    UNLOCK_INTERRUPTS();
    return took - overhead;
}

void uart_init(void) {
    UART_LINE = 3;       /* 8N1; the emulator knows no baud rate */
    UART_FIFO = 1;
    UART_INTERRUPTS = 1;
}

void uart_interrupt(void) {
    uint8_t flags = UART_FLAGS;
    while ((flags & CAME) != 0U) {
        ring_put(UART_DATA, (flags & OVERRUN) != 0U);
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
