/* What the fuzz targets share: bytes as a script of choices, a requirement that ends the run, a CRC from its definition, and what an
 * accepted table must be, written anew from firmware_stub/README.md. */
#ifndef FUZZ_H
#define FUZZ_H
#include "table.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

/* Ends the process with a signal, which the fuzzer takes for a crash. It is no CORE_ASSERT: that one may not end a process. */
void fuzz_require(bool holds, const char *text, const char *file, int line);
#define FUZZ_REQUIRE(condition) fuzz_require((condition), #condition, __FILE__, __LINE__)

/* Choices out of the input; past its end all are 0. */
typedef struct {
    const uint8_t *bytes;
    size_t n, at;
} script_t;

bool script_ended(const script_t *script);
uint8_t script_u8(script_t *script);
uint16_t script_u16(script_t *script);

/* From the polynomial (ISO 3309), by a table of bytes made at the first call: shares nothing with core/crc.c. */
uint32_t fuzz_crc32(const uint8_t *bytes, size_t n);

/* Writes length, number of sections (as far as their lengths lead) and CRC into the bytes of a table, whatever else they are. */
void fuzz_repair(uint8_t *table, size_t n);

/* Requires every field to be in the range of firmware_stub/README.md, "The table". */
void fuzz_check_table(const table_t *table);

#define FUZZ_TABLE_MAX 16384u
/* The one encoding of a table, at most FUZZ_TABLE_MAX bytes. Returns how many. */
size_t fuzz_encode_table(const table_t *table, uint8_t *target);

#endif
