/* CRC-32 as in ISO 3309 (HDLC), ITU-T V.42 and zlib: polynomial 0x04C11DB7 reflected, start and final inversion.
 *
 * The check value over the nine ASCII bytes "123456789" is 0xCBF43926.
 */
#ifndef CRC_H
#define CRC_H
#include "core.h"

/* Goes on from `crc` over n more bytes; a new sum starts with crc 0, and each result is itself a finished CRC. */
/*@ requires bytes != \null || n == 0;
    requires \valid_read(bytes + (0 .. n - 1));
    assigns \nothing; */
uint32_t crc32_update(uint32_t crc, const uint8_t *bytes, size_t n);

#endif
