/* The core for a web page, compiled to WebAssembly: one controller, and room for a calibration image and for a
 * block of ticks, whose inputs a script writes and whose outputs it reads as 32-bit words, laid out as in
 * lift_inputs_t and lift_outputs_t. Built by firmware_model/wasm/build.py; not part of the core. */
#include "../core_all.c"

enum { BLOCK = 1024 };
#define EXPORT(name) __attribute__((export_name(#name)))

static lift_controller_t controller;
static union {
    uint8_t bytes[LIFT_IMAGE_BYTES];
    uint32_t at_a_multiple_of_4;
} image;
static lift_inputs_t inputs[BLOCK];
static lift_outputs_t outputs[BLOCK];

EXPORT(image_at) uint8_t *image_at(void) { return image.bytes; }
EXPORT(image_bytes) int32_t image_bytes(void) { return LIFT_IMAGE_BYTES; }
EXPORT(inputs_at) lift_inputs_t *inputs_at(void) { return inputs; }
EXPORT(input_words) int32_t input_words(void) { return (int32_t)(sizeof inputs[0] / sizeof(int32_t)); }
EXPORT(outputs_at) lift_outputs_t *outputs_at(void) { return outputs; }
EXPORT(output_words) int32_t output_words(void) { return (int32_t)(sizeof outputs[0] / sizeof(int32_t)); }
EXPORT(block) int32_t block(void) { return BLOCK; }

/* Run from the image as it was written, starting as after power-up: LIFT_IMAGE_OK, or why it is refused; then
 * the controller runs from no image, since the written one may lie over the one it had. */
EXPORT(load) int32_t load(void) {
    lift_init(&controller);
    return lift_load(&controller, image.bytes, sizeof image.bytes);
}

EXPORT(reset) void reset(void) { lift_reset(&controller); }

/* Step over the first `ticks` inputs, BLOCK at most; their outputs follow. */
EXPORT(step) void step(int32_t ticks) {
    for (int32_t i = 0; i < ticks && i < BLOCK; i++) {
        lift_step(&controller, &inputs[i]);
        lift_outputs(&controller, &outputs[i]);
    }
}

/* The fuel of a cylinder's next cycle is due, and the spark of its present one: what is to be off. */
EXPORT(event) int32_t event(int32_t cylinder) { return lift_event(&controller, cylinder); }
EXPORT(spark) int32_t spark(int32_t cylinder) { return lift_spark(&controller, cylinder); }

EXPORT(digest) uint32_t digest(void) { return lift_digest(&controller); }
