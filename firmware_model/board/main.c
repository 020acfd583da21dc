/* The firmware: the controller behind the serial protocol. */
#include "board.h"

#include "../link/link.h"

#ifndef FIRMWARE
#define FIRMWARE "LM3S6965"
#endif

ll_controller_t board_controller;
static ll_link_t link;

static const uint8_t *keep(void *self, const uint8_t *image) {
    (void)self;
    return ll_store_write(&board_flash, image, (const uint8_t *)board_controller.calibration);
}

static const ll_port_t port = {NULL,        FIRMWARE,  uart_write,       keep,
                               timer_begin, timer_end, board_stack_bytes};

int main(void) {
    timer_init();
    uart_init();
    ll_init(&board_controller);
    for (int32_t age = 0; age < LL_STORE_SLOTS && board_controller.calibration == NULL; age++) {
        const uint8_t *image = ll_store_read(&board_flash, age);
        if (image != NULL) {
            (void)ll_load(&board_controller, image, LL_IMAGE_BYTES);
        }
    }
    ll_link_init(&link, &board_controller, &port);
    for (;;) {
        const uint8_t *bytes;
        size_t count = uart_read(&bytes);
        ll_link_time(&link, timer_ms());
        link.lost_bytes = uart_lost();
        ll_link_receive(&link, bytes, count);
        uart_taken(count);
        if (link.restart) {
            uart_drain();
            return 0;
        }
        LOCK_INTERRUPTS();
        if (uart_read(&bytes) == 0U) {
            WAIT_FOR_INTERRUPT();
        }
        UNLOCK_INTERRUPTS();
    }
}
