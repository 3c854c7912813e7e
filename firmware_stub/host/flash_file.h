/* Flash in a file, with the rules of NOR flash: programming only clears bits and takes whole, aligned write units; erasing sets a
 * sector to 0xFF. Breaking a rule ends the process with exit code 70 and the number of the operation. What was written survives the
 * end of the process at any moment. */
#ifndef FLASH_FILE_H
#define FLASH_FILE_H
#include "../core/store.h"

#define FLASH_SECTOR_BYTES 4096u
#define FLASH_SLOT_SECTORS 5u
#define FLASH_BYTES (2u * FLASH_SLOT_SECTORS * FLASH_SECTOR_BYTES)
#define FLASH_UNIT 8u

enum { FLASH_EXIT_CUT = 86, FLASH_EXIT_MISUSE = 70 };

typedef struct {
    int file;
    uint32_t operations; /* programs and erases so far */
    uint32_t cut_at;     /* the process ends in this operation, from 1; 0 never */
    uint32_t cut_bytes;  /* ... after so many of its bytes are done */
} flash_file_t;

/* Opens or makes the file. Returns NULL, or what is wrong with it. */
const char *flash_file_open(flash_file_t *flash, const char *path);
void flash_file_config(flash_file_t *flash, store_config_t *config);

#endif
