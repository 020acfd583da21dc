/* What the C targets share: a check that stays in every build, and dice. */
#ifndef FUZZ_CHECK_H
#define FUZZ_CHECK_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHECK(holds)                                                          \
    do {                                                                      \
        if (!(holds)) {                                                       \
            fprintf(stderr, "%s:%d: broken: %s\n", __FILE__, __LINE__, #holds); \
            abort();                                                          \
        }                                                                     \
    } while (0)

size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t max_size);

/* The next of a row of numbers, 0 to 2**31-1 (the constants of Knuth's MMIX generator, its upper bits). */
static inline uint32_t dice(uint64_t *state) {
    *state = *state * 6364136223846793005U + 1442695040888963407U;
    return (uint32_t)(*state >> 33);
}

static inline int32_t between(uint64_t *state, int32_t least, int32_t greatest) {
    return least + (int32_t)(dice(state) % (uint32_t)(greatest - least + 1));
}

#endif
