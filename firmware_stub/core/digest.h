/* SHA-256 (FIPS 180-4), so that the controller itself works out the name by which a table goes: the first 16 hexadecimal digits of
 * this digest over its bytes. Not a secret and no signature: it tells tables apart, it does not say who made one. */
#ifndef DIGEST_H
#define DIGEST_H
#include "core.h"

#define DIGEST_BYTES 32u
#define DIGEST_BLOCK_BYTES 64u

typedef struct {
    uint32_t word[8];
    uint8_t block[DIGEST_BLOCK_BYTES];
    uint32_t byte_count; /* of the whole message so far */
} digest_t;

/*@ requires \valid(digest);
    assigns digest->word[0 .. 7], digest->byte_count;
    ensures empty: digest->byte_count == 0; */
void digest_start(digest_t *digest);
/*@ requires bytes != \null || n == 0;
    requires \valid(digest) && \valid_read(bytes + (0 .. n - 1)) && \separated(digest, bytes + (0 .. n - 1));
    assigns *digest; */
void digest_update(digest_t *digest, const uint8_t *bytes, size_t n);
/*@ requires \valid(digest) && \valid(result + (0 .. DIGEST_BYTES - 1));
    requires \separated(digest, result + (0 .. DIGEST_BYTES - 1));
    assigns *digest, result[0 .. DIGEST_BYTES - 1]; */
void digest_finish(digest_t *digest, uint8_t result[DIGEST_BYTES]);

#endif
