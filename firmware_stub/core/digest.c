#include "digest.h"

/* Shown as a bit vector by tests/proof, as WP does not know masks. */
/*@ admit lemma mask_15: \forall integer a; 0 <= a < 4294967296 ==> 0 <= (a & 15) <= 15; */

/* First 32 bits of the fractional parts of the cube roots of the first 64 primes (FIPS 180-4, 4.2.2). */
static const uint32_t round_constant[64] = {
    0x428A2F98u, 0x71374491u, 0xB5C0FBCFu, 0xE9B5DBA5u, 0x3956C25Bu, 0x59F111F1u,
    0x923F82A4u, 0xAB1C5ED5u, 0xD807AA98u, 0x12835B01u, 0x243185BEu, 0x550C7DC3u,
    0x72BE5D74u, 0x80DEB1FEu, 0x9BDC06A7u, 0xC19BF174u, 0xE49B69C1u, 0xEFBE4786u,
    0x0FC19DC6u, 0x240CA1CCu, 0x2DE92C6Fu, 0x4A7484AAu, 0x5CB0A9DCu, 0x76F988DAu,
    0x983E5152u, 0xA831C66Du, 0xB00327C8u, 0xBF597FC7u, 0xC6E00BF3u, 0xD5A79147u,
    0x06CA6351u, 0x14292967u, 0x27B70A85u, 0x2E1B2138u, 0x4D2C6DFCu, 0x53380D13u,
    0x650A7354u, 0x766A0ABBu, 0x81C2C92Eu, 0x92722C85u, 0xA2BFE8A1u, 0xA81A664Bu,
    0xC24B8B70u, 0xC76C51A3u, 0xD192E819u, 0xD6990624u, 0xF40E3585u, 0x106AA070u,
    0x19A4C116u, 0x1E376C08u, 0x2748774Cu, 0x34B0BCB5u, 0x391C0CB3u, 0x4ED8AA4Au,
    0x5B9CCA4Fu, 0x682E6FF3u, 0x748F82EEu, 0x78A5636Fu, 0x84C87814u, 0x8CC70208u,
    0x90BEFFFAu, 0xA4506CEBu, 0xBEF9A3F7u, 0xC67178F2u,
};

/* The same of the square roots of the first eight primes (FIPS 180-4, 5.3.3). */
static const uint32_t first_word[8] = {
    0x6A09E667u, 0xBB67AE85u, 0x3C6EF372u, 0xA54FF53Au, 0x510E527Fu, 0x9B05688Cu, 0x1F83D9ABu, 0x5BE0CD19u,
};

/*@ requires 1 <= by <= 31;
    assigns \nothing; */
static uint32_t turn(uint32_t value, uint32_t by)
{
    return (value >> by) | (value << (32u - by));
}

/*@ requires \valid_read(bytes + (0 .. 3));
    assigns \nothing; */
static uint32_t read_big_endian(const uint8_t *bytes)
{
    return ((uint32_t)bytes[0] << 24) | ((uint32_t)bytes[1] << 16) | ((uint32_t)bytes[2] << 8) | (uint32_t)bytes[3];
}

/*@ requires \valid(bytes + (0 .. 3));
    assigns bytes[0 .. 3]; */
static void write_big_endian(uint8_t *bytes, uint32_t value)
{
    bytes[0] = (uint8_t)(value >> 24);
    bytes[1] = (uint8_t)((value >> 16) & 0xFFu);
    bytes[2] = (uint8_t)((value >> 8) & 0xFFu);
    bytes[3] = (uint8_t)(value & 0xFFu);
}

/*@ requires \valid(ring + (0 .. 15)) && t < 64;
    assigns ring[0 .. 15]; */
/* Word t of the message schedule, kept in a ring of sixteen (FIPS 180-4, 6.2.2 step 1). */
static uint32_t next_word(uint32_t ring[16], uint32_t t)
{
    const uint32_t older = ring[(t + 1u) & 15u];
    const uint32_t newer = ring[(t + 14u) & 15u];
    const uint32_t small_0 = turn(older, 7) ^ turn(older, 18) ^ (older >> 3);
    const uint32_t small_1 = turn(newer, 17) ^ turn(newer, 19) ^ (newer >> 10);
    ring[t & 15u] += small_0 + ring[(t + 9u) & 15u] + small_1;
    return ring[t & 15u];
}

/*@ requires \valid(digest);
    assigns digest->word[0 .. 7]; */
static void take_block(digest_t *digest)
{
    uint32_t ring[16];
    uint32_t v[8];
    /*@ loop invariant 0 <= i <= 16;
        loop assigns i, ring[0 .. 15];
        loop variant 16 - i; */
    for (uint32_t i = 0; i < 16u; i++) {
        ring[i] = read_big_endian(digest->block + 4u * i);
    }
    /*@ loop invariant 0 <= i <= 8;
        loop assigns i, v[0 .. 7];
        loop variant 8 - i; */
    for (uint32_t i = 0; i < 8u; i++) {
        v[i] = digest->word[i];
    }
    /*@ loop invariant 0 <= t <= 64;
        loop assigns t, ring[0 .. 15], v[0 .. 7];
        loop variant 64 - t; */
    for (uint32_t t = 0; t < 64u; t++) {
        const uint32_t word = t < 16u ? ring[t] : next_word(ring, t);
        const uint32_t sum_1 = turn(v[4], 6) ^ turn(v[4], 11) ^ turn(v[4], 25);
        const uint32_t choice = (v[4] & v[5]) ^ (~v[4] & v[6]);
        const uint32_t first = v[7] + sum_1 + choice + round_constant[t] + word;
        const uint32_t sum_0 = turn(v[0], 2) ^ turn(v[0], 13) ^ turn(v[0], 22);
        const uint32_t majority = (v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]);
        /*@ loop invariant 0 <= i <= 7;
            loop assigns i, v[0 .. 7];
            loop variant i; */
        for (uint32_t i = 7; i > 0; i--) {
            v[i] = v[i - 1u];
        }
        v[4] += first;
        v[0] = first + sum_0 + majority;
    }
    /*@ loop invariant 0 <= i <= 8;
        loop assigns i, digest->word[0 .. 7];
        loop variant 8 - i; */
    for (uint32_t i = 0; i < 8u; i++) {
        digest->word[i] += v[i];
    }
}

void digest_start(digest_t *digest)
{
    CORE_ASSERT(digest != NULL);
    /*@ loop invariant 0 <= i <= 8;
        loop assigns i, digest->word[0 .. 7];
        loop variant 8 - i; */
    for (uint32_t i = 0; i < 8u; i++) {
        digest->word[i] = first_word[i];
    }
    digest->byte_count = 0;
}

void digest_update(digest_t *digest, const uint8_t *bytes, size_t n)
{
    CORE_ASSERT(digest != NULL);
    CORE_ASSERT(bytes != NULL || n == 0);
    /*@ loop invariant 0 <= i <= n;
        loop assigns i, *digest;
        loop variant n - i; */
    for (size_t i = 0; i < n; i++) {
        digest->block[digest->byte_count % DIGEST_BLOCK_BYTES] = bytes[i];
        digest->byte_count++;
        if (digest->byte_count % DIGEST_BLOCK_BYTES == 0) {
            take_block(digest);
        }
    }
}

void digest_finish(digest_t *digest, uint8_t result[DIGEST_BYTES])
{
    CORE_ASSERT(digest != NULL);
    const uint32_t message_bytes = digest->byte_count;
    uint8_t tail[8];
    write_big_endian(tail, message_bytes >> 29);
    write_big_endian(tail + 4, message_bytes << 3);
    const uint8_t mark = 0x80u;
    const uint8_t zero = 0;
    digest_update(digest, &mark, 1);
    /*@ loop invariant 0 <= i <= 64;
        loop assigns i, *digest;
        loop variant 64 - i; */
    for (uint32_t i = 0; i < DIGEST_BLOCK_BYTES && digest->byte_count % DIGEST_BLOCK_BYTES != 56u; i++) {
        digest_update(digest, &zero, 1);
    }
    digest_update(digest, tail, sizeof tail);
    CORE_ASSERT(digest->byte_count % DIGEST_BLOCK_BYTES == 0);
    /*@ loop invariant 0 <= i <= 8;
        loop assigns i, result[0 .. DIGEST_BYTES - 1];
        loop variant 8 - i; */
    for (uint32_t i = 0; i < 8u; i++) {
        write_big_endian(result + 4u * i, digest->word[i]);
    }
}
