/* The board's flash: read in place, with the rules of NOR flash. Programming only clears bits and takes whole, aligned write units; an
 * erase takes time and sets a sector to 0xFF. Breaking a rule is a mistake of ours and stops the board with its number.
 *
 * On the bench its content is a file of the PC, the same that host/flash_file.h has: what was programmed is in the file before
 * the call returns, and a sector is erased there in one go when its time is over. Without a bench it is forgotten at power-off. */
#ifndef FLASH_H
#define FLASH_H
#include "../core/store.h"
#include "bench.h"

/* What it found: NULL, or what is wrong with the file. */
const char *flash_start(const bench_options_t *options, bool has_file);
void flash_config(store_config_t *config);
uint32_t flash_operations(void);

#endif
