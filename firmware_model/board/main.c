/* The firmware: the controller behind the serial protocol. */
#include "board.h"

#include "../link/link.h"

#ifndef FIRMWARE
#define FIRMWARE DEVICE
#endif

lift_controller_t board_controller;
static lift_link_t link;

static const uint8_t *keep(void *self, const uint8_t *image) {
    (void)self;
    return lift_store_write(&board_flash, image, (const uint8_t *)board_controller.calibration);
}

/* No interrupt of this firmware calls the controller; a firmware with a crank's interrupt locks it out. */
static const lift_port_t port = {NULL, FIRMWARE, uart_write, keep, timer_begin, timer_end, board_stack_bytes,
                               board_lock, board_unlock, true};

int main(void) {
    timer_init();
    uart_init();
    lift_init(&board_controller);
    for (int32_t age = 0; age < LIFT_STORE_SLOTS && board_controller.calibration == NULL; age++) {
        const uint8_t *image = lift_store_read(&board_flash, age);
        if (image != NULL) {
            (void)lift_load(&board_controller, image, LIFT_IMAGE_BYTES);
        }
    }
    lift_link_init(&link, &board_controller, &port);
    link.older = lift_store_fell_back(&board_flash, (const uint8_t *)board_controller.calibration);
    for (;;) {
        const uint8_t *bytes;
        size_t count = ring_read(&bytes);
        lift_link_time(&link, timer_ms());
        link.lost_bytes = ring_lost();
        lift_link_receive(&link, bytes, count);
        ring_taken(count);
        if (link.restart) {
            uart_drain();
            return 0;
        }
        LOCK_INTERRUPTS();
        if (ring_read(&bytes) == 0U) {
            WAIT_FOR_INTERRUPT();
        }
        UNLOCK_INTERRUPTS();
    }
}
