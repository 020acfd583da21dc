/* Frames on the wire: see frame.h. */
#include "frame.h"

enum { BLOCK = 254 }; /* most bytes of a block that has no zero in it */

uint16_t lift_crc16(const uint8_t *bytes, int32_t count) {
    /* Four bits at a time, as 32 bytes of table are soon paid back by the speed. */
    static const uint16_t NIBBLES[16] = {0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
                                         0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF};
    uint32_t crc = 0xFFFFU;
    for (int32_t i = 0; i < count; i++) {
        crc = (crc << 4) ^ NIBBLES[((crc >> 12) ^ ((uint32_t)bytes[i] >> 4)) & 15U];
        crc = (crc << 4) ^ NIBBLES[((crc >> 12) ^ (uint32_t)bytes[i]) & 15U];
    }
    return (uint16_t)(crc & 0xFFFFU);
}

void lift_count(uint16_t *counter) {
    if (*counter < 0xFFFFU) {
        *counter = (uint16_t)(*counter + 1U);
    }
}

void lift_decoder_init(lift_decoder_t *d) {
    d->count = 0;
    d->too_long = false;
    d->bad_crc = 0;
    d->bad_stuffing = 0;
    d->bad_long = 0;
    d->bad_short = 0;
}

/* Undo the stuffing in place; how many bytes are left, -1 if it is wrong. */
static int32_t unstuff(uint8_t *bytes, int32_t count) {
    int32_t from = 0;
    int32_t to = 0;
    while (from < count) {
        int32_t code = bytes[from];
        int32_t end = from + code;
        if (end > count) {
            return -1;
        }
        for (from += 1; from < end; from++) {
            bytes[to] = bytes[from];
            to += 1;
        }
        if (code <= BLOCK && from < count) {
            bytes[to] = 0;
            to += 1;
        }
    }
    return to;
}

static int32_t end_of_frame(lift_decoder_t *d) {
    if (d->too_long) {
        lift_count(&d->bad_long);
        return 0;
    }
    int32_t count = unstuff(d->bytes, d->count);
    if (count < 0) {
        lift_count(&d->bad_stuffing);
        return 0;
    }
    count -= LIFT_CRC_BYTES;
    if (count <= 0) {
        lift_count(&d->bad_short);
        return 0;
    }
    uint16_t crc = lift_crc16(d->bytes, count);
    if (d->bytes[count] != (crc & 0xFFU) || d->bytes[count + 1] != crc >> 8) {
        lift_count(&d->bad_crc);
        return 0;
    }
    return count;
}

int32_t lift_decoder_feed(lift_decoder_t *d, uint8_t byte) {
    if (byte != 0U) {
        if (d->count < LIFT_STUFFED_BYTES) {
            d->bytes[d->count] = byte;
            d->count += 1;
        } else {
            d->too_long = true;
        }
        return 0;
    }
    /* Zero bytes that follow one another end nothing; a sender may put one before a frame. */
    int32_t payload = d->count > 0 ? end_of_frame(d) : 0;
    d->count = 0;
    d->too_long = false;
    return payload;
}

void lift_frame_send(uint8_t *payload, int32_t count, lift_write_t write, void *self) {
    static const uint8_t END = 0;
    uint16_t crc = lift_crc16(payload, count);
    payload[count] = (uint8_t)(crc & 0xFFU);
    payload[count + 1] = (uint8_t)(crc >> 8);
    count += LIFT_CRC_BYTES;
    int32_t at = 0;
    for (;;) {
        int32_t run = 0;
        while (run < BLOCK && at + run < count && payload[at + run] != 0U) {
            run += 1;
        }
        uint8_t code = (uint8_t)(run + 1);
        write(self, &code, 1);
        write(self, &payload[at], (size_t)run);
        at += run;
        if (at == count) {
            break;
        }
        if (run < BLOCK) {
            at += 1; /* the zero that the code stands for */
        }
    }
    write(self, &END, 1);
}
