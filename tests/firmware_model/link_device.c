/* The C side of the link as a process for tests: commands on standard input, answers on standard output.
 *
 *     F count(2) bytes    bytes from the line                      -> count(4) bytes for the line
 *     T ms(4)             time goes on                             -> 0(4)
 *     S count(2) ...      as F, then shows a tick                  -> as F; the tick's inputs are the first
 *     16 bytes K yes(1)            whether images can be kept from now on   -> 0(4)
 *     P                   the supply goes off and on                    -> 0(4)
 *     E cylinder(1)       the crank's own interrupt: the event's bits   -> 1(4) bits(1)
 *
 * Restarts as a board without a store: what was loaded is gone.
 */
#include <stdio.h>
#include <string.h>

#include "link/link.h"

static lift_controller_t controller;
static lift_link_t link;
static union {
    uint32_t place;
    uint8_t bytes[LIFT_IMAGE_BYTES + 1];
} images[2];
static int keeps = 1; /* 2: at a place where no image may lie */
static uint8_t sent[1 << 22];
static uint32_t sent_count;

static void port_write(void *self, const uint8_t *bytes, size_t count) {
    (void)self;
    memcpy(sent + sent_count, bytes, count);
    sent_count += (uint32_t)count;
}

static const uint8_t *port_keep(void *self, const uint8_t *image) {
    (void)self;
    uint8_t *to = images[(const uint8_t *)controller.calibration == images[0].bytes].bytes;
    return keeps ? memcpy(to + (keeps == 2), image, LIFT_IMAGE_BYTES) : NULL;
}

static void port_begin(void *self) {
    (void)self;
}

static uint32_t port_none(void *self) {
    (void)self;
    return 0;
}

static const lift_port_t port = {NULL, "model 0.1.0", port_write, port_keep, port_begin, port_none,
    port_none, NULL, NULL, false};

static void power_up(void) {
    lift_init(&controller);
    lift_link_init(&link, &controller, &port);
}

static uint32_t number(int bytes) {
    uint32_t value = 0;
    for (int i = 0; i < bytes; i++) {
        value |= (uint32_t)getchar() << (8 * i);
    }
    return value;
}

int main(void) {
    uint8_t bytes[65536];
    power_up();
    for (;;) {
        int command = getchar();
        if (command == EOF) {
            return 0;
        }
        sent_count = 0;
        if (command == 'T') {
            lift_link_time(&link, number(4));
        } else if (command == 'K') {
            keeps = (int)number(1);
        } else if (command == 'P') {
            power_up();
        } else if (command == 'E') {
            sent[sent_count++] = (uint8_t)lift_event(&controller, (int32_t)number(1));
        } else {
            uint32_t count = number(2);
            if (fread(bytes, 1, count, stdin) != count) {
                return 1;
            }
            if (command == 'S') {
                lift_inputs_t in = {.tick = bytes[0], .counts = bytes[1] * 16, .speed = bytes[2],
                    .speed_valid = 1,
                                  .armed = 1, .launch = bytes[3] & 1, .request_reduction = bytes[4]};
                lift_step(&controller, &in);
                lift_link_show(&link, &in, bytes[5]);
            } else {
                lift_link_receive(&link, bytes, count);
            }
            if (link.restart) {
                power_up();
            }
        }
        uint8_t head[4] = {(uint8_t)sent_count, (uint8_t)(sent_count >> 8), (uint8_t)(sent_count >> 16),
                           (uint8_t)(sent_count >> 24)};
        fwrite(head, 1, 4, stdout);
        fwrite(sent, 1, sent_count, stdout);
        fflush(stdout);
    }
}
