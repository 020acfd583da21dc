/* A calibration image that survives a power cut: two slots of flash, of which one is always whole.
 *
 * Flash: a page is erased to ones before anything in it is written; a word of 4 bytes is written once after
 * that. A cut during either leaves that page or word in any state.
 *
 * A slot holds LIFT_IMAGE_BYTES of image, then two words: a number that grows from image to image, and a
 * CRC-32 over image and number, written last of all. A slot is valid while that CRC is right. A new image
 * goes to the slot that is not in use, so that a cut at any step leaves the old image, or the new one, whole.
 *
 * Assumptions: a slot is a whole number of pages; images are sound (the controller has judged them).
 *
 * Invariants: the slot in use is never erased or written; what lift_store_read gives was written as a whole.
 */
#ifndef LIFT_STORE_H
#define LIFT_STORE_H

#include "../core/liftlatch.h"

#ifdef __cplusplus
extern "C" {
#endif

enum { LIFT_STORE_SLOTS = 2, LIFT_STORE_WORD = 4,
    LIFT_STORE_SLOT_BYTES = LIFT_IMAGE_BYTES + 2 * LIFT_STORE_WORD };

/* What the store asks of the flash. `self` is handed to both functions; each gives false if it failed. */
typedef struct {
    void *self;
    const uint8_t *base; /* where it is read, at a multiple of 4 */
    uint32_t page_bytes; /* of what is erased at once */
    uint32_t slot_bytes; /* from slot to slot: whole pages, at least LIFT_STORE_SLOT_BYTES */
    bool (*erase)(void *self, uint32_t at);                /* the page that begins at base + at */
    bool (*write)(void *self, uint32_t at, uint32_t word); /* little-endian, at a multiple of 4 */
} lift_flash_t;

/* The newest valid image (age 0), or the valid one before it (age 1); null if there is none. Where it lies
 * is fit for lift_load. Worst case: two CRCs over a slot, 8 passes a byte. */
const uint8_t *lift_store_read(const lift_flash_t *flash, int32_t age);

/* Whether the image in use is not the one that was to be kept last: the other slot holds a newer one, or one
 * whose writing was cut off or that has been damaged since. Worst case: two CRCs over a slot. */
bool lift_store_fell_back(const lift_flash_t *flash, const uint8_t *in_use);

/* Store LIFT_IMAGE_BYTES of image; `in_use` is the image that is active, or null. Where the new one lies, or
 * null if the flash failed: then the image in use is still there. One that is the newest already is not
 * written again. Worst case: a slot erased, written and read. */
const uint8_t *lift_store_write(const lift_flash_t *flash, const uint8_t *image, const uint8_t *in_use);

#ifdef __cplusplus
}
#endif

#endif
