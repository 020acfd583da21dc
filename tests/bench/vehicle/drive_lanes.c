/* Drives cars with their numbers moved at random, alone and side by side, for the sanitizers: reads image, car and
 * ceilings from the file given, and ends with 1 where two scores differ in a bit. Arguments: file, rounds. */
#include "vehicle.c"

#include <stdio.h>

enum { CARS = 11, MOVED = offsetof(lv_car_t, torque_points) / sizeof(double) };

static union {
    uint32_t place[1];
    uint8_t bytes[1 << 16];
} image;

static double chance(uint64_t *rng) { return (double)rng_whole(rng, 1 << 20) / (1 << 20); }

int main(int count, char **words) {
    static lv_car_t given, cars[CARS];
    static lv_ceilings_t ceilings;
    static lv_case_t cases[CARS];
    static lv_scores_t alone[CARS], beside[CARS];
    static const double road[200] = {0.0, 0.001, -0.001, 0.003};
    FILE *file = count == 3 ? fopen(words[1], "rb") : NULL;
    if (file == NULL || fread(&given, sizeof given, 1, file) != 1 || fread(&ceilings, sizeof ceilings, 1, file) != 1) {
        return 2;
    }
    size_t length = fread(image.bytes, 1, sizeof image.bytes, file);
    fclose(file);
    uint64_t rng = rng_from(1);
    for (long round = strtol(words[2], NULL, 10); round > 0; round--) {
        for (int32_t i = 0; i < CARS; i++) {
            double *numbers = (double *)(void *)&cars[i];
            cars[i] = given;
            for (int32_t k = 0; k < MOVED; k++) {
                numbers[k] *= 0.8 + 0.45 * chance(&rng);
            }
            cars[i].rear_spring = i % 2 ? 9e4 * chance(&rng) : 0.0;
            cars[i].rear_travel = 0.08;
            cars[i].bar_rate = i % 3 ? cars[i].bar_rate : 0.0;
            cars[i].clutch_torque = i % 4 ? 0.0 : 2900.0 * chance(&rng);
            cars[i].clutch_full = cars[i].clutch_torque;
            lv_track_t track = {.seed = rng, .noise = 0.003 * chance(&rng), .road = i % 2 ? road : NULL,
                                .road_points = 200, .road_step = 0.1, .distance = 30.0 * chance(&rng),
                                .duration = 2.0, .midpoint = i == 5};
            cases[i] = (lv_case_t){&cars[i], image.bytes, &ceilings, track, i != 7};
        }
        int32_t n = 1 + (int32_t)rng_whole(&rng, CARS);
        memset(alone, 0, sizeof alone);
        memset(beside, 0, sizeof beside);
        if (lv_batch(n, cases, (int64_t)length, 1, alone) || lv_batch(n, cases, (int64_t)length, 4, beside)) {
            return 3;
        }
        if (memcmp(alone, beside, sizeof alone) != 0) {
            return 1;
        }
    }
    return lv_batch(1, cases, (int64_t)length - 1, 4, beside) == 0; /* a refused image */
}
