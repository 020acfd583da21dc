/* Frames on the wire: payload and CRC-16 (little-endian), stuffed by COBS, ended by a zero byte.
 *
 * COBS: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking
 * 7(2), 1999. CRC-16/IBM-3740: G. Cook, "Catalogue of Parametrised CRC Algorithms".
 *
 * Assumptions: payloads have 1 to LIFT_LINK_LARGEST bytes; whatever is longer is not for us.
 *
 * Invariants: nothing is written beyond `bytes`; after any bytes at all one zero byte is enough to be ready
 * for the next frame.
 */
#ifndef LIFT_FRAME_H
#define LIFT_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Bytes of the largest payload, 128 to 4096. More of it carries more ticks in a frame. */
#ifndef LIFT_LINK_LARGEST
#define LIFT_LINK_LARGEST 1024
#endif

enum {
    LIFT_CRC_BYTES = 2,
    LIFT_STUFFED_BYTES = LIFT_LINK_LARGEST + LIFT_CRC_BYTES + (LIFT_LINK_LARGEST + LIFT_CRC_BYTES) / 254 + 1
};

typedef struct {
    uint8_t bytes[LIFT_STUFFED_BYTES]; /* of the frame under way, stuffed; of the last one, its payload */
    int32_t count;                   /* how many of them */
    bool too_long;                   /* there were more than fit */
    uint16_t bad_crc;                /* frames of a wrong CRC; like the next three, stays at 65535 */
    uint16_t bad_stuffing;           /* frames not stuffed right */
    uint16_t bad_long;               /* frames that were too long */
    uint16_t bad_short;              /* frames that were too short */
} lift_decoder_t;

/* Numbers in a payload, little-endian. What puts one gives the place after it. */
static inline uint16_t lift_get16(const uint8_t *at) {
    return (uint16_t)((uint32_t)at[0] | (uint32_t)at[1] << 8);
}

static inline uint32_t lift_get32(const uint8_t *at) {
    return (uint32_t)lift_get16(at) | (uint32_t)lift_get16(at + 2) << 16;
}

static inline uint8_t *lift_put8(uint8_t *at, uint32_t value) {
    at[0] = (uint8_t)(value & 0xFFU);
    return at + 1;
}

static inline uint8_t *lift_put16(uint8_t *at, uint32_t value) {
    return lift_put8(lift_put8(at, value), value >> 8);
}

static inline uint8_t *lift_put32(uint8_t *at, uint32_t value) {
    return lift_put16(lift_put16(at, value), value >> 16);
}

/* CRC-16/IBM-3740 of bytes. */
uint16_t lift_crc16(const uint8_t *bytes, int32_t count);

/* A decoder that has met no byte yet. */
void lift_decoder_init(lift_decoder_t *d);

/* One byte came. The number of bytes of the payload that ended with it, which is then in `bytes` until the
 * next call; 0 while there is none. */
int32_t lift_decoder_feed(lift_decoder_t *d, uint8_t byte);

/* Sends bytes, or queues them; waits where there is no room. */
typedef void (*lift_write_t)(void *self, const uint8_t *bytes, size_t count);

/* Send a payload as a frame, piece by piece. `payload` has room for LIFT_CRC_BYTES behind it. */
void lift_frame_send(uint8_t *payload, int32_t count, lift_write_t write, void *self);

/* One more, but no more than 65535. */
void lift_count(uint16_t *counter);

#ifdef __cplusplus
}
#endif

#endif
