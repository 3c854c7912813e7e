/* Strict NOR flash with a power cord, in C, for scenarios by the million. Its own tests: tests/fault/test_nor_model.py, which also
 * hold it against the Python model, operation by operation.
 *
 * The memory: a program only sets cells away from erased, in whole aligned write units; an erase does a sector. A unit takes a second
 * program only where the geometry says so, and only to cells that the first one left or set too. An operation that is cut may leave any
 * part done, and cells that read differently each time until they are programmed to that value again, or erased.
 *
 * What the code under test may not do ends the scenario: `broken` says which rule, `broken_at` in which operation. */
#ifndef NOR_H
#define NOR_H
#include "store.h"

#define NOR_BYTES_MAX 264192u
#define NOR_UNITS_MAX NOR_BYTES_MAX
#define NOR_NOBODY 2u /* guard: no slot is in use */
#define NOR_FRACTION 0x80000000u /* an amount is so many 256ths of what would change */

typedef struct {
    uint32_t slot[STORE_SLOTS], sector_bytes, sectors, unit, byte_count;
    uint32_t erased;        /* 0x00 or 0xFF */
    uint32_t program_twice; /* 0 or 1 */
    uint32_t reports;       /* 1: `read` says failed where a unit was cut half way, as an error code does */
} nor_geometry_t;

typedef enum {
    NOR_CUT_NONE = 0,
    NOR_CUT_BEFORE,   /* nothing is done */
    NOR_CUT_PREFIX,   /* the first cells that would change, `amount` bytes of them */
    NOR_CUT_SUFFIX,   /* the last ones */
    NOR_CUT_AFTER,    /* all is done, the power goes before the next instruction */
    NOR_CUT_BITS,     /* of the cells that would change a random part does */
    NOR_CUT_HALF,     /* runs of bytes: done, left, or any bits of them */
    NOR_CUT_UNSTABLE, /* all that would change reads at random */
    NOR_CUT_FRONT,    /* as prefix, and the next unit reads at random */
    NOR_CUT_MARGINAL, /* all is done, but one to three cells read at random */
    NOR_CUT_FAINT,    /* nothing is done, but one to three cells read at random */
    NOR_CUTS
} nor_cut_how_t;

typedef enum { /* cells that read at random */
    NOR_DRAW_READ = 0, /* each for itself on each read */
    NOR_DRAW_START,    /* each for itself, once a power on */
    NOR_DRAW_TOGETHER, /* once a power on for all of them: all done, or all as before (supply and temperature move the threshold) */
    NOR_DRAW_LEVEL,    /* once a power on a level: done are the cells that hold more than that, each cell what it holds for ever */
    NOR_DRAWS
} nor_draw_t;

typedef enum {
    NOR_FAULT_NONE = 0,
    NOR_FAULT_FAILS,       /* says failed, does nothing */
    NOR_FAULT_FAILS_DONE,  /* says failed, has done it */
    NOR_FAULT_FAILS_PARTLY,/* says failed, has done its first half */
    NOR_FAULT_SILENT,      /* says ok, does nothing */
    NOR_FAULT_STUCK,       /* says ok, one cell stays as it was */
    NOR_FAULTS
} nor_fault_how_t;

typedef enum {
    NOR_KEEPS_RULES = 0,
    NOR_READ_OUTSIDE,
    NOR_PROGRAM_OUTSIDE,
    NOR_PROGRAM_NOT_UNITS,
    NOR_PROGRAM_TWICE,
    NOR_ERASE_NOT_SECTOR,
    NOR_ERASE_OUTSIDE,
    NOR_ERASE_IN_USE,
    NOR_PROGRAM_IN_USE,
    NOR_RULES
} nor_rule_t;

typedef struct {
    uint32_t operation; /* from 1 since power on */
    uint32_t how;
    uint32_t amount;
    uint32_t per_start; /* nor_draw_t, of the cells that read at random */
    uint64_t seed;
} nor_cut_t;

typedef struct {
    uint32_t operation; /* from 1 since `fault` was set; 0: none */
    uint32_t how;
    uint32_t lasting; /* 1: that one and all after it */
    uint64_t seed;
} nor_fault_t;

typedef struct {
    nor_geometry_t geometry;
    uint32_t weak_from, weak_to; /* bytes that may hold cells that read at random; none where equal */
    uint32_t torn;               /* units that an error code would report */
    uint32_t per_start, powers, reads;
    uint64_t seed;
    uint32_t operations, polls, busy, busy_left; /* an erase says busy so many times first */
    bool never_ends;                             /* an erase says busy for ever */
    bool dead;
    bool happened; /* the cut or the fault came to pass */
    bool unseen;   /* an erase was not done and not told over cells that read at random: no reader can tell that for certain */
    nor_cut_t cut;
    nor_fault_t fault;
    uint32_t fault_operations;
    uint32_t guard; /* slot in use: never erased, and programmed only in its end records */
    nor_rule_t broken;
    uint32_t broken_at;
    uint64_t key; /* of everything that cuts and faults really did since nor_key_clear */
    uint32_t last_address, last_bytes;
    bool last_erases;
    uint8_t cells[NOR_BYTES_MAX];
    uint8_t weak[NOR_BYTES_MAX]; /* cells of the byte that read at random */
    uint8_t units[NOR_UNITS_MAX];
} nor_t;

size_t nor_bytes(void);
void nor_blank(nor_t *nor, const nor_geometry_t *geometry);
void nor_copy(nor_t *target, const nor_t *source);
void nor_seed(nor_t *nor, uint64_t seed);
void nor_power_on(nor_t *nor, const nor_cut_t *cut); /* operations count from here; NULL: no cut */
void nor_set_fault(nor_t *nor, const nor_fault_t *fault);
void nor_flip(nor_t *nor, uint32_t address, uint32_t bits, uint32_t reported); /* rot */
uint64_t nor_mix(uint64_t a, uint64_t b);

store_result_t nor_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n);
store_result_t nor_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n);
store_result_t nor_erase(void *context, uint32_t address);

/* How many bytes the operation would change, were it done now: what PREFIX and SUFFIX count. */
uint32_t nor_would_change(const nor_t *nor, uint32_t address, const uint8_t *bytes, uint32_t n);

/* For Python. */
uint32_t nor_state(const nor_t *nor, uint32_t what);
void nor_peek(const nor_t *nor, uint32_t what, uint8_t *bytes);
void nor_poke(nor_t *nor, uint32_t address, uint32_t value);

#endif
