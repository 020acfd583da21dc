/* The frame decoder and, behind it, the device's side of the link: any bytes as they come from a line.
 *
 * Checked of the decoder: it finds the payloads, and counts the damage, that a decoder written apart finds;
 * what it found comes back whole through lift_frame_send; one zero byte makes it ready again. Of the link:
 * however the bytes are cut up, the same bytes are answered and the same state is left; what it sends are
 * good frames of a length that a host expects.
 */
#include "check.h"

#include "core/liftlatch.h"
#include "link/link.h"

enum { MOST = 1 << 14, MOST_FRAMES = 256, SENT = 1 << 20, HEAD = 5, SESSION = 7 };

/* CRC-16/IBM-3740, bit by bit (G. Cook, "Catalogue of Parametrised CRC Algorithms"). */
static uint16_t crc_by_bits(const uint8_t *bytes, int32_t count) {
    uint32_t crc = 0xFFFFU;
    for (int32_t i = 0; i < count; i++) {
        for (int bit = 7; bit >= 0; bit--) {
            uint32_t top = (crc >> 15 ^ (uint32_t)bytes[i] >> bit) & 1U;
            crc = (crc << 1 & 0xFFFFU) ^ (top ? 0x1021U : 0U);
        }
    }
    return (uint16_t)crc;
}

/* Bytes between two zeros without their stuffing (S. Cheshire, M. Baker, IEEE/ACM Transactions on Networking
 * 7(2), 1999), CRC and all; -1 where a block is longer than what is there. */
static int32_t plain(const uint8_t *from, int32_t count, uint8_t *to) {
    int32_t made = 0;
    for (int32_t i = 0; i < count;) {
        int32_t block = from[i] - 1;
        i++;
        if (i + block > count) {
            return -1;
        }
        memcpy(to + made, from + i, (size_t)block);
        made += block;
        i += block;
        if (block < 254 && i < count) {
            to[made++] = 0;
        }
    }
    return made;
}

/* A frame with its CRC and its end; the number of its bytes. `payload` has room for two more. */
static size_t framed(uint8_t *payload, int32_t count, uint8_t *to) {
    uint16_t crc = crc_by_bits(payload, count);
    payload[count] = (uint8_t)crc;
    payload[count + 1] = (uint8_t)(crc >> 8);
    count += 2;
    size_t made = 1;
    size_t code = 0;
    for (int32_t i = 0; i < count; i++) {
        if (payload[i] != 0) {
            to[made++] = payload[i];
        }
        if (payload[i] == 0 || made - code == 255) {
            to[code] = (uint8_t)(made - code);
            code = made++;
        }
    }
    to[code] = (uint8_t)(made - code);
    to[made++] = 0;
    return made;
}

typedef struct {
    uint8_t bytes[SENT];
    size_t count;
} sent_t;

static void collect(void *self, const uint8_t *bytes, size_t count) {
    sent_t *sent = self;
    CHECK(sent->count + count <= SENT);
    memcpy(sent->bytes + sent->count, bytes, count);
    sent->count += count;
}

static void check_decoder(const uint8_t *data, size_t size) {
    lift_decoder_t *d = malloc(sizeof *d); /* ends where the sanitizer watches */
    CHECK(d != NULL);
    memset(d, 0xA5, sizeof *d);
    lift_decoder_init(d);
    int32_t crc = 0, stuffing = 0, too_long = 0, too_short = 0;
    size_t start = 0;
    static uint8_t by_hand[MOST];
    static sent_t again;
    for (size_t i = 0; i < size; i++) {
        int32_t found = lift_decoder_feed(d, data[i]);
        CHECK(d->count >= 0 && d->count <= LIFT_STUFFED_BYTES);
        if (data[i] != 0) {
            CHECK(found == 0);
            continue;
        }
        int32_t length = (int32_t)(i - start);
        const uint8_t *from = data + start;
        start = i + 1;
        CHECK(d->count == 0 && !d->too_long);
        if (length == 0 || length > LIFT_STUFFED_BYTES) {
            too_long += length > 0;
            CHECK(found == 0);
            continue;
        }
        int32_t made = plain(from, length, by_hand);
        if (made < 0 || made < 3) {
            stuffing += made < 0;
            too_short += made >= 0;
            CHECK(found == 0);
            continue;
        }
        made -= 2;
        if (crc_by_bits(by_hand, made) != (by_hand[made] | by_hand[made + 1] << 8)) {
            crc++;
            CHECK(found == 0);
            continue;
        }
        CHECK(found == made && memcmp(d->bytes, by_hand, (size_t)made) == 0);
        if (made <= LIFT_LINK_LARGEST) {
            uint8_t *payload = malloc((size_t)made + LIFT_CRC_BYTES);
            CHECK(payload != NULL);
            memcpy(payload, by_hand, (size_t)made);
            again.count = 0;
            lift_frame_send(payload, made, collect, &again);
            CHECK(again.count <= LIFT_STUFFED_BYTES + 1 && again.bytes[again.count - 1] == 0);
            CHECK(memchr(again.bytes, 0, again.count) == again.bytes + again.count - 1);
            CHECK(plain(again.bytes, (int32_t)again.count - 1, by_hand) == made + 2);
            CHECK(memcmp(by_hand, payload, (size_t)made + 2) == 0);
            free(payload);
        }
    }
    CHECK(d->bad_crc == crc && d->bad_stuffing == stuffing && d->bad_long == too_long &&
        d->bad_short == too_short);
    lift_decoder_feed(d, 0);
    uint8_t one[8] = {'n', 'e', 'x', 't'};
    uint8_t frame[16];
    size_t bytes = framed(one, 4, frame);
    for (size_t i = 0; i + 1 < bytes; i++) {
        CHECK(lift_decoder_feed(d, frame[i]) == 0);
    }
    CHECK(lift_decoder_feed(d, 0) == 4 && memcmp(d->bytes, "next", 4) == 0);
    free(d);
}

/* -- the link */

typedef struct {
    lift_controller_t controller;
    lift_link_t link;
    union {
        uint32_t place;
        uint8_t bytes[LIFT_IMAGE_BYTES];
    } images[2];
    sent_t sent;
    lift_port_t port;
} device_t;

static void port_write(void *self, const uint8_t *bytes, size_t count) {
    collect(&((device_t *)self)->sent, bytes, count);
}

static const uint8_t *port_keep(void *self, const uint8_t *image) {
    device_t *d = self;
    uint8_t *to = d->images[(const uint8_t *)d->controller.calibration == d->images[0].bytes].bytes;
    return memcpy(to, image, LIFT_IMAGE_BYTES);
}

static void port_begin(void *self) {
    (void)self;
}

static uint32_t port_none(void *self) {
    (void)self;
    return 0;
}

static void power_up(device_t *d) {
    d->sent.count = 0;
    d->port = (lift_port_t){d, "fuzz", port_write, port_keep, port_begin, port_none, port_none, NULL, NULL, false};
    lift_init(&d->controller);
    lift_link_init(&d->link, &d->controller, &d->port);
}

static void check_link(const uint8_t *data, size_t size) {
    static device_t whole, pieces;
    power_up(&whole);
    power_up(&pieces);
    lift_link_time(&whole.link, 1);
    lift_link_receive(&whole.link, data, size);
    lift_link_time(&pieces.link, 1);
    for (size_t at = 0; at < size && !pieces.link.restart;) {
        size_t part = 1 + data[at] % 61U;
        part = part > size - at ? size - at : part;
        uint8_t *own = malloc(part);
        CHECK(own != NULL);
        memcpy(own, data + at, part);
        lift_link_receive(&pieces.link, own, part);
        free(own);
        at += part;
    }
    CHECK(whole.sent.count == pieces.sent.count);
    CHECK(memcmp(whole.sent.bytes, pieces.sent.bytes, whole.sent.count) == 0);
    CHECK(whole.link.restart == pieces.link.restart && whole.link.expected == pieces.link.expected);
    CHECK(lift_digest(&whole.controller) == lift_digest(&pieces.controller));
    const lift_link_t *l = &whole.link;
    CHECK(l->answers_kept >= 0 && l->answers_kept <= LIFT_LINK_WINDOW);
    CHECK(l->next_answer >= 0 && l->next_answer < LIFT_LINK_WINDOW);
    if (whole.controller.calibration != NULL) {
        CHECK(l->place >= 0 && l->place < whole.controller.calibration->cylinders);
        CHECK(lift_link_reduction(l) >= 0 && lift_link_reduction(l) <= LIFT_FULL);
        CHECK(lift_link_retard(l) >= 0 && lift_link_retard(l) <= LIFT_FULL);
        lift_link_time(&whole.link, 70000);
        CHECK(l->stalled == (l->fed && whole.controller.calibration->stall_ms > 0));
        CHECK(!l->stalled || lift_link_reduction(l) == whole.controller.calibration->safe_reduction);
    }
    static uint8_t payload[MOST];
    size_t start = 0;
    for (size_t i = 0; i < whole.sent.count; i++) {
        if (whole.sent.bytes[i] != 0) {
            continue;
        }
        int32_t length = (int32_t)(i - start);
        CHECK(length > 0 && length <= LIFT_STUFFED_BYTES);
        int32_t made = plain(whole.sent.bytes + start, length, payload) - 2;
        CHECK(made >= HEAD && made <= LIFT_LINK_LARGEST);
        CHECK(crc_by_bits(payload, made) == (payload[made] | payload[made + 1] << 8));
        CHECK(payload[0] & 0x80);
        start = i + 1;
    }
    CHECK(start == whole.sent.count);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size > MOST) {
        return 0;
    }
    check_decoder(data, size);
    check_link(data, size);
    return 0;
}

/* -- mutations that keep the CRC right: frames are taken apart, changed, numbered and framed again */

typedef struct {
    uint8_t bytes[LIFT_STUFFED_BYTES + 8];
    int32_t count;
} payload_t;

static payload_t frames[MOST_FRAMES + 1];

static int32_t take_apart(const uint8_t *data, size_t size) {
    static uint8_t unpacked[MOST];
    int32_t have = 0;
    size_t start = 0;
    for (size_t i = 0; i < size && have < MOST_FRAMES; i++) {
        if (data[i] != 0) {
            continue;
        }
        int32_t made = i - start < MOST ? plain(data + start, (int32_t)(i - start), unpacked) - 2 : 0;
        start = i + 1;
        if (made > 0 && made <= LIFT_STUFFED_BYTES) {
            memcpy(frames[have].bytes, unpacked, (size_t)made);
            frames[have++].count = made;
        }
    }
    return have;
}

static void number_them(int32_t have) {
    uint16_t next = 0;
    for (int32_t i = 0; i < have; i++) {
        uint8_t *bytes = frames[i].bytes;
        if (frames[i].count < HEAD) {
            continue;
        }
        bytes[1] = SESSION;
        bytes[2] = 0;
        if (bytes[0] != 1) {
            bytes[3] = (uint8_t)next;
            bytes[4] = (uint8_t)(next >> 8);
            next++;
        }
    }
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned seed) {
    uint64_t state = seed;
    int32_t have = take_apart(data, size);
    if (have == 0 || dice(&state) % 4U == 0U) {
        return LLVMFuzzerMutate(data, size, max_size);
    }
    int32_t at = between(&state, 0, have - 1);
    payload_t *f = &frames[at];
    switch (dice(&state) % 8U) {
    case 0: /* once more, or in another place */
        if (have < MOST_FRAMES) {
            frames[have++] = *f;
        }
        break;
    case 1:
        memmove(f, f + 1, (size_t)(have - at - 1) * sizeof *f);
        have--;
        break;
    case 2:
        frames[have] = *f;
        *f = frames[dice(&state) % (uint32_t)have];
        frames[dice(&state) % (uint32_t)have] = frames[have];
        break;
    case 3:
        f->bytes[0] = (uint8_t)between(&state, 0, 9);
        break;
    case 4: /* a body of another length */
        f->count = between(&state, 1, LIFT_LINK_LARGEST + 4);
        break;
    default: {
        size_t head = f->count > HEAD ? HEAD : 0;
        size_t body = LLVMFuzzerMutate(f->bytes + head, (size_t)f->count - head,
            LIFT_LINK_LARGEST + 4 - head);
        f->count = (int32_t)(head + body);
    }
    }
    if (dice(&state) % 8U != 0U) {
        number_them(have);
    }
    size_t made = 0;
    for (int32_t i = 0; i < have; i++) {
        static uint8_t frame[2 * LIFT_STUFFED_BYTES + 64];
        if (frames[i].count <= 0) {
            continue;
        }
        size_t bytes = framed(frames[i].bytes, frames[i].count, frame);
        if (made + bytes > max_size) {
            break;
        }
        memcpy(data + made, frame, bytes);
        made += bytes;
    }
    return made > 0 ? made : LLVMFuzzerMutate(data, size, max_size);
}
