/* What the tests call: the same file for the emulated Cortex-M4 and for the PC. */
#ifndef ENTRY_H
#define ENTRY_H
#include "law.h"

#define ENTRY_SIZES 8
#define ENTRY_PLACES 27
#define ENTRY __attribute__((used)) /* nothing in the program calls it, so a linker would leave it out */

/* One run of the law. kept: the whole state after every tick, kept_bytes of it each (a multiple of 4); NULL: not kept. */
typedef struct {
    const table_t *table;
    law_state_t *state;
    const law_in_t *in;
    law_out_t *out;
    uint32_t *kept;
    uint32_t kept_bytes, ticks;
} entry_run_t;

extern const uint32_t entry_sizes[ENTRY_SIZES];
extern const uint32_t entry_places[ENTRY_PLACES]; /* where members lie in the structures */

void entry_run(const entry_run_t *run);
uint32_t entry_parse(const uint8_t *bytes, uint32_t byte_count, table_t *table, uint32_t *place);
uint32_t entry_frames(const uint8_t *bytes, uint32_t byte_count, uint32_t *words, uint32_t words_max);
uint32_t entry_encode(const uint8_t *content, uint32_t byte_count, uint32_t kind_and_tag, uint8_t *target);
uint32_t entry_crc(const uint8_t *bytes, uint32_t byte_count);
void entry_digest(const uint8_t *bytes, uint32_t byte_count, uint8_t *result);
uint32_t entry_assert_line(void);

#endif
