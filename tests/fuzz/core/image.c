/* The image loader: any bytes at any length and place.
 *
 * Checked: no byte beyond the given ones is read (the block ends where its memory ends); a refused image
 * changes nothing; the verdict about the CRC agrees with one written apart; an accepted image keeps what
 * liftlatch.h says of it; at a place that is no multiple of 4 it is refused for that alone.
 */
#include "images.h"

#include "core/liftlatch.h"

static void rising(const uint16_t *axis, int points) {
    for (int i = 1; i < points; i++) {
        CHECK(axis[i] > axis[i - 1]);
    }
}

static void below(const uint16_t *values, int count, int greatest) {
    for (int i = 0; i < count; i++) {
        CHECK(values[i] <= greatest);
    }
}

/* The header's words about an accepted image, said again. */
static void check_accepted(const lift_image_t *c) {
    int last = c->sensor_points - 1;
    CHECK(c->version == 2 && c->length == 1628 && memcmp(c->magic, "LLCI", 4) == 0);
    CHECK(c->tick_us >= 500 && c->tick_us <= 10000);
    CHECK(c->gain_q12 >= 1 && c->gain_q12 <= 65536 && c->learn_window <= 65536);
    CHECK(c->hold_ticks <= c->fault_hold_ticks && c->fault_hold_ticks <= 1200000);
    CHECK(c->release_q16 <= 1000 << 16 && c->retard_release_q16 <= 1000 << 16);
    CHECK(c->fault_release_q16 >= 1 && c->fault_release_q16 <= 100 << 16);
    CHECK(c->fault_retard_release_q16 >= 1 && c->fault_retard_release_q16 <= 100 << 16);
    CHECK(c->window_low < c->window_high && c->window_high <= c->adc_max);
    CHECK(c->sensor_points >= 2 && c->sensor_points <= 8 && c->sensor_counts[last] <= c->adc_max);
    rising(c->sensor_counts, c->sensor_points);
    int low = c->sensor_height[0], high = c->sensor_height[last];
    int way = high > low ? 1 : -1;
    for (int i = 1; i <= last; i++) {
        CHECK((c->sensor_height[i] - c->sensor_height[i - 1]) * way > 0);
    }
    if (way < 0) {
        low = c->sensor_height[last];
        high = c->sensor_height[0];
    }
    CHECK(high - low <= 32767 && low >= -32767 && c->rest >= low && c->rest <= high);
    CHECK(c->near_end >= 1 && c->near_end < high - low);
    CHECK(c->sample_ticks >= 1 && c->sample_ticks <= 1000);
    CHECK(c->allowance >= 1 && c->allowance <= 32767 && c->allowance_rate >= 1 && c->allowance_rate <= 32767);
    CHECK(c->confirm_samples >= 1 && c->confirm_samples <= 8192 && c->heal_samples >= 1);
    CHECK(c->heal_samples <= 8192 && c->agree_samples >= 2 && c->agree_samples <= 16);
    CHECK(c->return_samples >= 1 && c->return_samples <= 8192 && c->look_from >= -32767);
    CHECK(c->median_samples == 1 || c->median_samples == 3 || c->median_samples == 5);
    CHECK(c->lowpass_q12 >= 1 && c->lowpass_q12 <= 4096);
    CHECK(c->look_lowpass_q12 >= 1 && c->look_lowpass_q12 <= 4096);
    CHECK(c->run_points >= 1 && c->run_points <= 16 && c->lift_points >= 1 && c->lift_points <= 16);
    CHECK(c->progress_points >= 1 && c->progress_points <= 16);
    rising(c->run_ms, c->run_points);
    rising(c->progress_axis, c->progress_points);
    for (int i = 1; i < c->lift_points; i++) {
        CHECK(c->lift_axis[i] > c->lift_axis[i - 1]);
    }
    below(c->reduction_map, 256, 1000);
    below(c->retard_map, 256, 1000);
    CHECK(c->engine_points <= 16 && c->shaft_points <= 16);
    CHECK(c->engine_line_points >= 1 && c->engine_line_points <= 8);
    CHECK(c->shaft_line_points >= 1 && c->shaft_line_points <= 8);
    rising(c->engine_ms, c->engine_points);
    rising(c->shaft_ms, c->shaft_points);
    rising(c->engine_over_rpm, c->engine_line_points);
    rising(c->shaft_over_rpm, c->shaft_line_points);
    below(c->engine_reduction, 8, 1000);
    below(c->shaft_retard, 8, 1000);
    CHECK(c->reduction_limit <= 1000 && c->retard_limit <= 1000 && c->safe_reduction <= 1000);
    CHECK(c->cylinders >= 1 && c->cylinders <= 12 && c->event_bits >= 1 && c->event_bits <= 3);
    unsigned fires = 0;
    for (int i = 0; i < c->cylinders; i++) {
        CHECK(c->firing_order[i] >= 1 && c->firing_order[i] <= c->cylinders);
        fires |= 1U << c->firing_order[i];
    }
    CHECK(fires == (1U << (c->cylinders + 1)) - 2U);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    uint8_t *own = malloc(size); /* ends where the sanitizer watches */
    CHECK(own != NULL || size == 0);
    if (size > 0) {
        memcpy(own, data, size);
    }
    static lift_controller_t ll, before;
    lift_init(&ll);
    before = ll;
    int32_t verdict = lift_load(&ll, own, size);
    CHECK(verdict >= LIFT_IMAGE_OK && verdict <= LIFT_IMAGE_ORDER);
    if (verdict == LIFT_IMAGE_OK) {
        CHECK(size == LIFT_IMAGE_BYTES && ll.calibration == (const void *)own);
        check_accepted(ll.calibration);
        uint32_t digest = lift_digest(&ll);
        CHECK(lift_load(&ll, own, size) == LIFT_IMAGE_OK && lift_digest(&ll) == digest);
        CHECK(memcmp(own, data, size) == 0);
    } else {
        CHECK(memcmp(&ll, &before, sizeof ll) == 0);
    }
    if (size == LIFT_IMAGE_BYTES && memcmp(data, "LLCI\2\0\x5c\6", 8) == 0) {
        uint32_t said = (uint32_t)own[8] | (uint32_t)own[9] << 8 | (uint32_t)own[10] << 16 |
            (uint32_t)own[11] << 24;
        CHECK((verdict == LIFT_IMAGE_CRC) == (said != crc_by_bits(own + 12, size - 12)));
    } else {
        CHECK(verdict >= LIFT_IMAGE_MAGIC && verdict <= LIFT_IMAGE_LENGTH);
    }
    uint8_t *shifted = malloc(size + 1);
    CHECK(shifted != NULL);
    if (size > 0) {
        memcpy(shifted + 1, data, size);
    }
    lift_init(&ll);
    int32_t there = lift_load(&ll, shifted + 1, size);
    CHECK(there == (verdict == LIFT_IMAGE_OK || verdict == LIFT_IMAGE_ORDER ? LIFT_IMAGE_PLACE : verdict));
    free(shifted);
    free(own);
    return 0;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned seed) {
    if (size != LIFT_IMAGE_BYTES || max_size < size || seed % 64U == 0U) {
        return LLVMFuzzerMutate(data, size, max_size);
    }
    mutate_image(data, seed);
    return size;
}
