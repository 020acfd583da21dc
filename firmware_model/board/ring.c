/* Received bytes between the serial port's interrupt and the main loop. */
#include "board.h"

/* Room for a whole window of requests, so that none is lost while an answer leaves. */
static uint8_t ring[RING_BYTES];
static volatile uint32_t came;  /* bytes ever put in; only the interrupt writes it */
static volatile uint32_t taken; /* bytes ever taken out; only main writes it */
static volatile uint16_t lost;

void ring_put(uint8_t byte, bool overrun) {
    bool full = came - taken >= RING_BYTES;
    if ((full || overrun) && lost < 0xFFFFU) {
        lost = (uint16_t)(lost + 1U);
    }
    if (!full) {
        ring[came % RING_BYTES] = byte;
        came += 1U;
    }
}

size_t ring_read(const uint8_t **bytes) {
    uint32_t from = taken % RING_BYTES;
    uint32_t count = came - taken;
    *bytes = &ring[from];
    return count < RING_BYTES - from ? count : RING_BYTES - from;
}

void ring_taken(size_t count) {
    taken += (uint32_t)count;
}

uint16_t ring_lost(void) {
    return lost;
}
