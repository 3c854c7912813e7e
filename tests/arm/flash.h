/* Flash of the NOR kind in the emulated memory, with a power cord, and the store on it. The same rules as tests/support/flash_model.py:
 * programming only sets cells apart from erased, in whole aligned units that are erased (or, where the memory takes it, again with the
 * same bytes); erasing takes whole sectors of the two slots; after the cut nothing answers any more. */
#ifndef FLASH_H
#define FLASH_H
#include "store.h"

#define FLASH_BYTES_MAX 16384u
#define FLASH_TABLE_MAX 128u

typedef enum { FLASH_BEFORE = 0, FLASH_PREFIX, FLASH_BITS } flash_cut_t;

typedef struct {
    uint32_t slot_address[2], byte_count, sector_bytes, sectors, unit, erased, program_twice;
    uint32_t cut_operation; /* from 1; 0: none */
    uint32_t cut_how;       /* flash_cut_t: nothing of it is done; its first cut_amount bytes; a random part of its cells */
    uint32_t cut_amount;    /* bytes, or the seed of the random part */
    /* from here on written by the flash */
    uint32_t operations, dead, broken; /* broken: line of flash.c whose rule the store broke */
    uint32_t last_address, last_bytes; /* of the operation that was cut, else of the last one */
    uint8_t cells[FLASH_BYTES_MAX];
    uint8_t programmed[FLASH_BYTES_MAX]; /* by unit: since its erase */
} flash_t;

typedef struct {
    uint32_t start, upload;          /* store_result_t of store_start; of the first step of the upload that was not OK, else of the commit */
    uint32_t table_bytes, sequence;  /* in use in the end: after the start where there was no upload; 0 without a table */
    uint32_t broken, assert_line;
    uint32_t operations;
    uint8_t table[FLASH_TABLE_MAX];  /* its bytes as the store reads them */
} flash_seen_t;

/* Power on, store_start and, where `table` is given, the whole upload of it. */
void flash_session(flash_t *flash, const uint8_t *table, uint32_t table_bytes, flash_seen_t *seen);

/* One operation by itself, so that the flash can be tried before it may judge. */
uint32_t flash_try_program(flash_t *flash, uint32_t address, const uint8_t *bytes, uint32_t n);
uint32_t flash_try_erase(flash_t *flash, uint32_t address);

#endif
