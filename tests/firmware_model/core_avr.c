/* The core on an ATmega2560, whose int has 16 bits: steps over the inputs of run.h and tells a digest each 100
 * ticks and at the end, with a sum over all outputs and events so far, as core_runner.c does. Ends asleep for ever, which ends the simulator. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>

#include "liftlatch.h"
static lift_controller_t controller;
static union {
    uint32_t place;
    uint8_t bytes[LIFT_IMAGE_BYTES];
} image __attribute__((aligned(4)));
static uint32_t sum;

static void tell(char letter) {
    while ((UCSR0A & 1 << UDRE0) == 0) {
    }
    UDR0 = (uint8_t)letter;
}

static void tell_number(uint32_t number) {
    for (int8_t shift = 28; shift >= 0; shift -= 4) {
        tell("0123456789abcdef"[number >> shift & 15]);
    }
}

static void take(int32_t value) {
    sum = sum * 31 + (uint32_t)value;
}

#include "run.h" /* ROWS; in flash IMAGE[LIFT_IMAGE_BYTES], INPUTS[ROWS][11]; take_events(row) after a step */

static void take_outputs(void) {
    lift_outputs_t out;
    lift_outputs(&controller, &out);
    const int32_t *values = (const int32_t *)(const void *)&out;
    for (uint8_t i = 0; i < sizeof(out) / sizeof(int32_t); i++) {
        take(values[i]);
    }
}

static void tell_state(void) {
    tell_number(lift_digest(&controller));
    tell(' ');
    tell_number(sum);
    tell('\n');
}

int main(void) {
    UCSR0B = 1 << TXEN0;
    for (uint16_t i = 0; i < LIFT_IMAGE_BYTES; i++) {
        image.bytes[i] = pgm_read_byte_far(pgm_get_far_address(IMAGE) + i);
    }
    lift_init(&controller);
    tell((char)('0' + lift_load(&controller, image.bytes, LIFT_IMAGE_BYTES)));
    tell('\n');
    for (uint16_t row = 0; row < ROWS; row++) {
        int32_t v[11];
        for (uint8_t i = 0; i < 11; i++) {
            v[i] = (int32_t)pgm_read_dword_far(pgm_get_far_address(INPUTS) + 4 * (11 * (uint32_t)row + i));
        }
        lift_inputs_t in = {v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8], v[9], v[10]};
        lift_step(&controller, &in);
        take_outputs();
        take_events(row);
        if (row % 100 == 99) {
            tell_state();
        }
    }
    tell_state();
    while ((UCSR0A & 1 << TXC0) == 0) {
    }
    cli();
    sleep_enable();
    sleep_cpu();
    return 0;
}
