/* Two slots for a calibration image: see store.h. */
#include "store.h"

#include "../core/fixed.h"

typedef char lift_images_are_whole_words[LIFT_IMAGE_BYTES % LIFT_STORE_WORD == 0 ? 1 : -1];

enum { NUMBER_AT = LIFT_IMAGE_BYTES, CRC_AT = LIFT_IMAGE_BYTES + LIFT_STORE_WORD };

static uint32_t word_at(const uint8_t *bytes) {
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

static const uint8_t *slot(const lift_flash_t *flash, int32_t which) {
    return flash->base + (uint32_t)which * flash->slot_bytes;
}

/* CRC-32/ISO-HDLC over an image and its number. */
static uint32_t crc_of(const uint8_t *image, uint32_t number) {
    uint32_t crc = 0xFFFFFFFFU;
    for (int32_t i = 0; i < LIFT_IMAGE_BYTES; i++) {
        crc = lift_crc32(crc, image[i]);
    }
    return lift_crc32_word(crc, (int32_t)number) ^ 0xFFFFFFFFU;
}

static bool valid(const uint8_t *at) {
    return word_at(at + CRC_AT) == crc_of(at, word_at(at + NUMBER_AT));
}

/* Whether slot 1 is newer than slot 0, both being valid; numbers wrap. */
static bool second_is_newer(const lift_flash_t *flash) {
    return word_at(slot(flash, 1) + NUMBER_AT) - word_at(slot(flash, 0) + NUMBER_AT) < 0x80000000U;
}

const uint8_t *lift_store_read(const lift_flash_t *flash, int32_t age) {
    bool first = valid(slot(flash, 0));
    bool second = valid(slot(flash, 1));
    int32_t newest = second && (!first || second_is_newer(flash)) ? 1 : 0;
    if (age == 0) {
        return first || second ? slot(flash, newest) : NULL;
    }
    return first && second ? slot(flash, 1 - newest) : NULL;
}

/* Whether a slot was never written: all ones, or all zeros where memory comes up so. */
static bool blank(const uint8_t *at) {
    if (at[0] != 0xFFU && at[0] != 0U) {
        return false;
    }
    for (int32_t i = 1; i < LIFT_STORE_SLOT_BYTES; i++) {
        if (at[i] != at[0]) {
            return false;
        }
    }
    return true;
}

bool lift_store_fell_back(const lift_flash_t *flash, const uint8_t *in_use) {
    if (in_use == NULL) {
        return false;
    }
    const uint8_t *other = slot(flash, in_use == slot(flash, 0) ? 1 : 0);
    return valid(other) ? lift_store_read(flash, 0) == other : !blank(other);
}

static bool same(const uint8_t *one, const uint8_t *other) {
    for (int32_t i = 0; i < LIFT_IMAGE_BYTES; i++) {
        if (one[i] != other[i]) {
            return false;
        }
    }
    return true;
}

const uint8_t *lift_store_write(const lift_flash_t *flash, const uint8_t *image, const uint8_t *in_use) {
    const uint8_t *newest = lift_store_read(flash, 0);
    if (newest != NULL && same(newest, image)) {
        return newest;
    }
    const uint8_t *spared = in_use != NULL ? in_use : newest;
    int32_t which = spared == slot(flash, 0) ? 1 : 0;
    uint32_t at = (uint32_t)which * flash->slot_bytes;
    uint32_t number = newest != NULL ? word_at(newest + NUMBER_AT) + 1U : 0U;
    for (uint32_t page = 0; page < flash->slot_bytes; page += flash->page_bytes) {
        if (!flash->erase(flash->self, at + page)) {
            return NULL;
        }
    }
    for (uint32_t i = 0; i < LIFT_IMAGE_BYTES; i += LIFT_STORE_WORD) {
        if (!flash->write(flash->self, at + i, word_at(image + i))) {
            return NULL;
        }
    }
    if (!flash->write(flash->self, at + NUMBER_AT, number) ||
        !flash->write(flash->self, at + CRC_AT, crc_of(image, number))) {
        return NULL;
    }
    const uint8_t *written = slot(flash, which);
    return valid(written) && same(written, image) ? written : NULL;
}
