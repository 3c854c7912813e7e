#define _XOPEN_SOURCE 600
#include "flash_file.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static uint8_t work[FLASH_SLOT_SECTORS * FLASH_SECTOR_BYTES];

static void misuse(const flash_file_t *flash, const char *what, uint32_t address)
{
    (void)fprintf(stderr, "flash rule broken in operation %lu at address %lu: %s\n", (unsigned long)flash->operations,
                  (unsigned long)address, what);
    _exit(FLASH_EXIT_MISUSE);
}

static store_result_t write_at(const flash_file_t *flash, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    return pwrite(flash->file, bytes, n, (off_t)address) == (ssize_t)n ? STORE_OK : STORE_FAILED;
}

/* Counts the operation; in the one that is cut only its first bytes are done, and the process is gone. */
static store_result_t operate(flash_file_t *flash, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    flash->operations++;
    if (flash->operations == flash->cut_at) {
        const uint32_t done = flash->cut_bytes < n ? flash->cut_bytes : n;
        (void)write_at(flash, address, bytes, done);
        _exit(FLASH_EXIT_CUT);
    }
    return write_at(flash, address, bytes, n);
}

static store_result_t flash_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    const flash_file_t *flash = (const flash_file_t *)context;
    if (address > FLASH_BYTES || n > FLASH_BYTES - address) {
        misuse(flash, "read outside the flash", address);
    }
    return pread(flash->file, bytes, n, (off_t)address) == (ssize_t)n ? STORE_OK : STORE_FAILED;
}

static store_result_t flash_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    flash_file_t *flash = (flash_file_t *)context;
    uint8_t found[512]; /* more than the store programs at a time: a block of the link */
    if (n == 0 || n > sizeof found || address % FLASH_UNIT != 0 || n % FLASH_UNIT != 0) {
        misuse(flash, "program of something else than whole, aligned write units", address);
    }
    if (flash_read(context, address, found, n) != STORE_OK) {
        return STORE_FAILED;
    }
    for (uint32_t i = 0; i < n; i++) {
        if ((found[i] & bytes[i]) != bytes[i]) {
            misuse(flash, "program would set a bit that is not erased", address + i);
        }
    }
    return operate(flash, address, bytes, n);
}

static store_result_t flash_erase(void *context, uint32_t address)
{
    flash_file_t *flash = (flash_file_t *)context;
    if (address % FLASH_SECTOR_BYTES != 0 || address >= FLASH_BYTES) {
        misuse(flash, "erase of something that is no sector", address);
    }
    uint8_t erased[FLASH_SECTOR_BYTES];
    core_fill(erased, 0xFFu, sizeof erased);
    return operate(flash, address, erased, sizeof erased);
}

const char *flash_file_open(flash_file_t *flash, const char *path)
{
    struct stat about;
    flash->file = open(path, O_RDWR | O_CREAT, 0644);
    if (flash->file < 0) {
        return "it cannot be opened for reading and writing; name a file in a folder that you may write to";
    }
    /* Two controllers on one flash would each trust what they read at start. The lock goes when the process goes, however it ends. */
    struct flock whole = {.l_type = F_WRLCK, .l_whence = SEEK_SET};
    if (fcntl(flash->file, F_SETLK, &whole) != 0) {
        return "another controller process has it open (or it cannot be locked there); end that one, or name another file";
    }
    if (fstat(flash->file, &about) != 0) {
        return "its length cannot be read; name another file";
    }
    if (about.st_size == 0) { /* new: erased. Whole sectors, so that a process that ends here leaves a length that is noticed */
        uint8_t erased[FLASH_SECTOR_BYTES];
        core_fill(erased, 0xFFu, sizeof erased);
        for (uint32_t address = 0; address < FLASH_BYTES; address += FLASH_SECTOR_BYTES) {
            if (write_at(flash, address, erased, sizeof erased) != STORE_OK) {
                return "it cannot be written; is the disk full?";
            }
        }
        return NULL;
    }
    return about.st_size == (off_t)FLASH_BYTES ? NULL : "it has another length than this flash; name a new file, or delete this one";
}

void flash_file_config(flash_file_t *flash, store_config_t *config)
{
    config->context = flash;
    config->read = flash_read;
    config->program = flash_program;
    config->erase = flash_erase;
    config->map = NULL;
    config->work = work;
    config->work_bytes = sizeof work;
    config->slot_address[0] = 0;
    config->slot_address[1] = FLASH_SLOT_SECTORS * FLASH_SECTOR_BYTES;
    config->sector_bytes = FLASH_SECTOR_BYTES;
    config->sectors = FLASH_SLOT_SECTORS;
    config->unit = FLASH_UNIT;
    config->erased = 0xFFu;
    config->program_twice = true;
}
