/* Runs the conformance set through the core; to be compiled with check.c and all C files of firmware_model/core.
 * Ends with 0, or prints what is wrong first and ends with 1. On a board: call conformance_case, conformance_image
 * and conformance_calls the same way, and tell what they give by whatever means there is. */
#include <stdio.h>

#include "data.h"

static lift_controller_t controller;

int main(void) {
    lift_init(&controller);
    for (int i = 0; i < CONFORMANCE_CASES; i++) {
        int32_t wrong = conformance_case(&controller, &conformance_cases[i]);
        if (wrong != -1) {
            printf("case %d differs at tick %ld\n", i + 1, (long)wrong);
            return 1;
        }
    }
    for (int i = 0; i < CONFORMANCE_IMAGES; i++) {
        if (!conformance_image(&controller, conformance_cases[0].image, &conformance_images[i])) {
            printf("the verdict on changed image %d is wrong\n", i + 1);
            return 1;
        }
    }
    int32_t wrong = conformance_calls(&controller, conformance_cases[0].image);
    if (wrong != 0) {
        printf("call %ld is wrong\n", (long)wrong);
        return 1;
    }
    /* A reset is one state, whatever came before. The digest says it of all that is kept. */
    (void)lift_load(&controller, conformance_cases[0].image, LIFT_IMAGE_BYTES);
    uint32_t begun = lift_digest(&controller);
    lift_inputs_t in = {.counts = 500, .speed = 100, .armed = 1, .launch = 1};
    lift_step(&controller, &in);
    lift_reset(&controller);
    if (lift_digest(&controller) != begun) {
        printf("a reset is not the state that a load makes\n");
        return 1;
    }
    printf("equal: %d cases, %d ticks, %d changed images\n", CONFORMANCE_CASES, CONFORMANCE_TICKS,
           CONFORMANCE_IMAGES);
    return 0;
}
