/* The calibration image: one packed little-endian block that the controller and a device run from.
 *
 * offset  size  what
 * 0       4     the letters LLCI
 * 4       2     format version
 * 6       2     length of the whole image in bytes
 * 8       4     CRC-32/ISO-HDLC over the bytes from 12 to the end
 * 12      ...   the fields of lift_image_t, in order, without gaps
 */
#ifndef LIFT_IMAGE_H
#define LIFT_IMAGE_H

#include "liftlatch.h"

#ifdef __cplusplus
extern "C" {
#endif

/* CRC-32/ISO-HDLC of the image from the first field to its end; length >= LIFT_HEADER_BYTES. */
uint32_t lift_image_crc(const uint8_t *image, size_t length);

/* Set *into to the image, to be read in place, and return LIFT_IMAGE_OK, or why the image is refused.
 * On refusal *into is not changed. */
int32_t lift_image_read(const uint8_t *image, size_t length, const lift_image_t **into);

#ifdef __cplusplus
}
#endif

#endif
