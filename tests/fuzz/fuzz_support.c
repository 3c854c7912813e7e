#include <stdio.h>
#include <stdlib.h>

#include "fuzz.h"

void fuzz_require(bool holds, const char *text, const char *file, int line)
{
    if (!holds) {
        (void)fprintf(stderr, "%s:%d: not so: %s\n", file, line, text);
        (void)fflush(stderr);
        abort();
    }
}

bool script_ended(const script_t *script)
{
    return script->at >= script->n;
}

uint8_t script_u8(script_t *script)
{
    return script_ended(script) ? 0 : script->bytes[script->at++];
}

uint16_t script_u16(script_t *script)
{
    const uint16_t low = script_u8(script);
    return (uint16_t)(low | (uint16_t)((uint16_t)script_u8(script) << 8));
}

static uint32_t eight_steps(uint32_t value)
{
    for (int bit = 0; bit < 8; bit++) {
        value = (value & 1u) != 0 ? (value >> 1) ^ 0xEDB88320u : value >> 1;
    }
    return value;
}

uint32_t fuzz_crc32(const uint8_t *bytes, size_t n)
{
    static uint32_t of_byte[256];
    if (of_byte[1] == 0) {
        for (uint32_t i = 0; i < 256u; i++) {
            of_byte[i] = eight_steps(i);
        }
    }
    uint32_t sum = 0xFFFFFFFFu;
    for (size_t i = 0; i < n; i++) {
        sum = (sum >> 8) ^ of_byte[(sum ^ bytes[i]) & 0xFFu];
    }
    return ~sum;
}

#define HEADER_BYTES 80u

static size_t section_bytes(const uint8_t *table, size_t at)
{
    return 4u + (size_t)table[at + 2] + 256u * table[at + 3];
}

void fuzz_repair(uint8_t *table, size_t n)
{
    if (n < HEADER_BYTES + 4u) {
        return;
    }
    uint16_t sections = 0;
    size_t at = HEADER_BYTES;
    while (at + 4u <= n - 4u && at + section_bytes(table, at) <= n - 4u) {
        at += section_bytes(table, at);
        sections++;
    }
    core_write_u32(table + 8, (uint32_t)n);
    core_write_u16(table + 30, sections);
    core_write_u32(table + n - 4u, fuzz_crc32(table, n - 4u));
}
