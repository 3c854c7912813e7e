#include "flash.h"

#include "../host/flash_file.h" /* the geometry, and the exit codes */
#include "clock.h"
#include "semihosting.h"
#include "start.h"

typedef struct {
    bool has_file, erasing;
    int32_t file;
    uint32_t erase_us, cut_at, cut_bytes;
    uint32_t operations; /* programs and erases so far */
    uint32_t erase_address, erase_begun;
} flash_t;

static flash_t flash;
static uint8_t cells[FLASH_BYTES];

static void end(uint32_t code)
{
    bench_outputs_zero();
    if (flash.has_file) {
        semihosting_exit(code);
    }
    start_stop(STOP_UNEXPECTED);
}

/* "flash rule broken after operation 12: ..." */
static void misuse(const char *what)
{
    if (flash.has_file) {
        char number[11]; /* 32 bits have ten digits */
        uint32_t at = sizeof number - 1u;
        number[at] = '\0';
        for (uint32_t left = flash.operations; at > 0 && (left > 0 || number[at] == '\0'); left /= 10u) {
            at--;
            number[at] = (char)('0' + left % 10u);
        }
        semihosting_say("flash rule broken after operation ");
        semihosting_say(number + at);
        semihosting_say(": ");
        semihosting_say(what);
        semihosting_say("\n");
    }
    end(FLASH_EXIT_MISUSE);
}

static store_result_t write_through(uint32_t address, uint32_t n)
{
    return !flash.has_file || semihosting_write(flash.file, address, cells + address, n) ? STORE_OK : STORE_FAILED;
}

/* Of the operation that is cut only the first bytes are done, and the board is gone. */
static bool is_cut(void)
{
    flash.operations++;
    return flash.operations == flash.cut_at;
}

static uint32_t cut_after(uint32_t n)
{
    return flash.cut_bytes < n ? flash.cut_bytes : n;
}

static bool is_inside(uint32_t address, uint32_t n)
{
    return address <= FLASH_BYTES && n <= FLASH_BYTES - address;
}

/* ---- callbacks of the store ---- */

static store_result_t flash_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    (void)context;
    if (!is_inside(address, n)) {
        misuse("read outside the flash");
    }
    core_copy(bytes, cells + address, n);
    return STORE_OK;
}

static const uint8_t *flash_map(void *context, uint32_t address)
{
    (void)context;
    if (!is_inside(address, 0)) {
        misuse("read outside the flash");
    }
    return cells + address;
}

static store_result_t flash_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    (void)context;
    if (flash.erasing) {
        misuse("program while a sector is being erased");
    }
    if (n == 0 || address % FLASH_UNIT != 0 || n % FLASH_UNIT != 0 || !is_inside(address, n)) {
        misuse("program of something else than whole, aligned write units");
    }
    for (uint32_t i = 0; i < n; i++) {
        if ((cells[address + i] & bytes[i]) != bytes[i]) {
            misuse("program would set a bit that is not erased");
        }
    }
    const bool cut = is_cut();
    const uint32_t done = cut ? cut_after(n) : n;
    core_copy(cells + address, bytes, done);
    const store_result_t result = write_through(address, done);
    if (cut) {
        end(FLASH_EXIT_CUT);
    }
    return result;
}

/* The first call starts it; asked again, it is busy until its time is over. The loop goes on in between, so it is the ticks that serve
 * the watchdog; the store never erases in its start, when there are none. */
static store_result_t flash_erase(void *context, uint32_t address)
{
    (void)context;
    if (address % FLASH_SECTOR_BYTES != 0 || address >= FLASH_BYTES || (flash.erasing && address != flash.erase_address)) {
        misuse("erase of something that is no sector, or of another one than that which is being erased");
    }
    if (!flash.erasing) {
        flash.erasing = true;
        flash.erase_address = address;
        flash.erase_begun = clock_now();
    }
    if (clock_us(clock_now() - flash.erase_begun) < flash.erase_us) {
        return STORE_BUSY;
    }
    flash.erasing = false;
    const bool cut = is_cut();
    const uint32_t done = cut ? cut_after(FLASH_SECTOR_BYTES) : FLASH_SECTOR_BYTES;
    core_fill(cells + address, 0xFFu, done);
    const store_result_t result = write_through(address, done);
    if (cut) {
        end(FLASH_EXIT_CUT);
    }
    return result;
}

/* ---- start ---- */

static const char *open_file(const char *path)
{
    flash.file = semihosting_open(path);
    if (flash.file < 0) {
        return "the flash's file cannot be opened\n";
    }
    if (semihosting_length(flash.file) != (int32_t)FLASH_BYTES) {
        return "the flash's file has another length than the flash\n";
    }
    return semihosting_read(flash.file, 0, cells, FLASH_BYTES) ? NULL : "the flash's file cannot be read\n";
}

const char *flash_start(const bench_options_t *options, bool has_file)
{
    core_fill(cells, 0xFFu, sizeof cells);
    flash.has_file = has_file;
    flash.erasing = false;
    flash.operations = 0;
    flash.erase_us = options->erase_us;
    flash.cut_at = options->cut_at;
    flash.cut_bytes = options->cut_bytes;
    return has_file ? open_file(options->flash_path) : NULL;
}

uint32_t flash_operations(void)
{
    return flash.operations;
}

void flash_config(store_config_t *config)
{
    config->context = NULL;
    config->read = flash_read;
    config->program = flash_program;
    config->erase = flash_erase;
    config->map = flash_map;
    config->work = NULL;
    config->work_bytes = 0;
    config->slot_address[0] = 0;
    config->slot_address[1] = FLASH_SLOT_SECTORS * FLASH_SECTOR_BYTES;
    config->sector_bytes = FLASH_SECTOR_BYTES;
    config->sectors = FLASH_SLOT_SECTORS;
    config->unit = FLASH_UNIT;
    config->erased = 0xFFu;
    config->program_twice = true;
}
