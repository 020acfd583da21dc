/* UART0 (PL011): received bytes by interrupt into a ring, sent ones by waiting for room. */
#include "board.h"

#define CLOCK_GATES REGISTER(0x400FE104U)
#define UART_DATA REGISTER(0x4000C000U)
#define UART_FLAGS REGISTER(0x4000C018U)
#define UART_DIVISOR REGISTER(0x4000C024U)
#define UART_FRACTION REGISTER(0x4000C028U)
#define UART_LINE REGISTER(0x4000C02CU)
#define UART_CONTROL REGISTER(0x4000C030U)
#define UART_MASK REGISTER(0x4000C038U)
#define UART_CLEAR REGISTER(0x4000C044U)

enum { BUSY = 1 << 3, NOTHING_CAME = 1 << 4, NO_ROOM = 1 << 5, OVERRUN = 1 << 11 };
enum { CAME = 1 << 4, CAME_LONG_AGO = 1 << 6 };
enum { BAUD = 115200, DIVISOR_64 = (BOARD_HZ * 4 + BAUD / 2) / BAUD };

/* Room for a whole window of requests, so that none is lost while an answer leaves. */
enum { RING = 8192 };
static uint8_t ring[RING];
static volatile uint32_t came;  /* bytes ever put in; only the interrupt writes it */
static volatile uint32_t taken; /* bytes ever taken out; only main writes it */
static volatile uint16_t lost;

void uart_init(void) {
    CLOCK_GATES |= 1;
    UART_DIVISOR = DIVISOR_64 / 64;
    UART_FRACTION = DIVISOR_64 % 64;
    UART_LINE = 3U << 5 | 1U << 4; /* 8N1, FIFOs on */
    UART_MASK = CAME | CAME_LONG_AGO;
    UART_CONTROL = 1U << 9 | 1U << 8 | 1U;
}

void uart_interrupt(void) {
    UART_CLEAR = CAME | CAME_LONG_AGO;
    while ((UART_FLAGS & NOTHING_CAME) == 0U) {
        uint32_t data = UART_DATA;
        bool full = came - taken >= RING;
        if ((full || (data & OVERRUN) != 0U) && lost < 0xFFFFU) {
            lost = (uint16_t)(lost + 1U);
        }
        if (!full) {
            ring[came % RING] = (uint8_t)(data & 0xFFU);
            came += 1U;
        }
    }
}

size_t uart_read(const uint8_t **bytes) {
    uint32_t from = taken % RING;
    uint32_t count = came - taken;
    *bytes = &ring[from];
    return count < RING - from ? count : RING - from;
}

void uart_taken(size_t count) {
    taken += (uint32_t)count;
}

uint16_t uart_lost(void) {
    return lost;
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
