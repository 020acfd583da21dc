/* Runs the core over what stands on standard input: the image's length and the image, then for each tick the
 * numbers of lift_inputs_t, all as little-endian 32-bit words. After each tick one event and one spark fall
 * due. Prints the verdict, then what each hundredth tick and the last leave: digest and a sum over all
 * outputs. */
#include <stdio.h>

#include "liftlatch.h"

static union {
    uint32_t place[512];
    uint8_t bytes[2048];
} image;

static uint32_t added(uint32_t sum, int32_t value) {
    return (uint32_t)(((uint64_t)sum * 31U + (uint32_t)value) & 0xFFFFFFFFU);
}

int main(void) {
    static lift_controller_t controller;
    static lift_inputs_t in;
    static lift_outputs_t out;
    uint32_t length = 0;
    uint32_t sum = 0;
    int32_t tick = 0;
    if (fread(&length, sizeof(length), 1, stdin) != 1 || length > sizeof(image) ||
        fread(image.bytes, 1, length, stdin) != length) {
        return 2;
    }
    lift_init(&controller);
    printf("%d\n", (int)lift_load(&controller, image.bytes, length));
    while (fread(&in, sizeof(in), 1, stdin) == 1) {
        const int32_t *word = (const int32_t *)&out;
        lift_step(&controller, &in);
        lift_outputs(&controller, &out);
        for (size_t i = 0; i < sizeof(out) / sizeof(int32_t); i++) {
            sum = added(sum, word[i]);
        }
        sum = added(sum, lift_event(&controller, tick % 15 - 1));
        sum = added(sum, lift_spark(&controller, tick % 13));
        tick++;
        if (tick % 100 == 0) {
            printf("%08x %08x\n", (unsigned)lift_digest(&controller), (unsigned)sum);
        }
    }
    printf("%08x %08x\n", (unsigned)lift_digest(&controller), (unsigned)sum);
    return 0;
}
