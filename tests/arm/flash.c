#include "flash.h"

#include "crc.h"
#include "entry.h"

#define BLOCK_BYTES 32u

static store_result_t refuse(flash_t *flash, uint32_t line)
{
    if (flash->broken == 0) {
        flash->broken = line;
    }
    return STORE_FAILED;
}

static uint32_t next_random(uint32_t *seed) /* xorshift; good enough for torn cells */
{
    *seed ^= *seed << 13;
    *seed ^= *seed >> 17;
    *seed ^= *seed << 5;
    return *seed;
}

static bool is_cut(flash_t *flash, uint32_t address, uint32_t n)
{
    flash->operations++;
    flash->last_address = address;
    flash->last_bytes = n;
    if (flash->operations == flash->cut_operation) {
        flash->dead = 1;
    }
    return flash->dead != 0;
}

/* Which cells of byte `offset` of the operation change where it is cut. */
static uint8_t reached(const flash_t *flash, uint32_t offset, uint32_t *seed)
{
    if (flash->cut_how == FLASH_BITS) {
        return (uint8_t)(next_random(seed) >> 24);
    }
    return flash->cut_how == FLASH_PREFIX && offset < flash->cut_amount ? 0xFFu : 0u;
}

static store_result_t flash_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    flash_t *const flash = context;
    if (address > flash->byte_count || n > flash->byte_count - address) {
        return refuse(flash, __LINE__);
    }
    if (flash->dead != 0) {
        return STORE_FAILED;
    }
    for (uint32_t i = 0; i < n; i++) {
        bytes[i] = flash->cells[address + i];
    }
    return STORE_OK;
}

/* A unit that is programmed already takes only the same bytes again: no cell that is set may be asked to be erased. */
static bool takes(const flash_t *flash, uint32_t address, const uint8_t *bytes)
{
    if (flash->programmed[address / flash->unit] == 0) {
        return true;
    }
    if (flash->program_twice == 0) {
        return false;
    }
    for (uint32_t i = 0; i < flash->unit; i++) {
        const uint32_t set = flash->cells[address + i] ^ flash->erased;
        if ((set & ~(bytes[i] ^ flash->erased) & 0xFFu) != 0) {
            return false;
        }
    }
    return true;
}

static store_result_t flash_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    flash_t *const flash = context;
    if (flash->dead != 0) {
        return STORE_FAILED;
    }
    if (n == 0 || address % flash->unit != 0 || n % flash->unit != 0 || address > flash->byte_count || n > flash->byte_count - address) {
        return refuse(flash, __LINE__);
    }
    for (uint32_t i = 0; i < n; i += flash->unit) {
        if (!takes(flash, address + i, bytes + i)) {
            return refuse(flash, __LINE__);
        }
    }
    const bool cut = is_cut(flash, address, n);
    uint32_t seed = flash->cut_amount * 2654435761u + 1u;
    for (uint32_t i = 0; i < n; i++) {
        const uint8_t change = (uint8_t)((bytes[i] ^ flash->erased) & (cut ? reached(flash, i, &seed) : 0xFFu));
        flash->cells[address + i] = (uint8_t)((flash->cells[address + i] & ~change) | (bytes[i] & change));
        /* Where the memory has an error code a unit counts as programmed even with nothing but erased bytes in it; a unit that the
         * cut may have reached counts too. */
        const bool touched = !cut || flash->cut_how == FLASH_BITS || (flash->cut_how == FLASH_PREFIX && i < flash->cut_amount);
        if (touched && (bytes[i] != flash->erased || flash->program_twice == 0)) {
            flash->programmed[(address + i) / flash->unit] = 1;
        }
    }
    return cut ? STORE_FAILED : STORE_OK;
}

static store_result_t flash_erase(void *context, uint32_t address)
{
    flash_t *const flash = context;
    if (flash->dead != 0) {
        return STORE_FAILED;
    }
    const uint32_t slot_bytes = flash->sector_bytes * flash->sectors;
    const bool inside = address - flash->slot_address[0] < slot_bytes || address - flash->slot_address[1] < slot_bytes;
    if (address % flash->sector_bytes != 0 || !inside) {
        return refuse(flash, __LINE__);
    }
    const bool cut = is_cut(flash, address, flash->sector_bytes);
    uint32_t seed = flash->cut_amount * 2654435761u + 1u;
    for (uint32_t i = 0; i < flash->sector_bytes; i++) {
        const uint8_t change = (uint8_t)((flash->cells[address + i] ^ flash->erased) & (cut ? reached(flash, i, &seed) : 0xFFu));
        flash->cells[address + i] ^= change;
        const bool whole = !cut || (flash->cut_how == FLASH_PREFIX && i < flash->cut_amount);
        if (whole && (i + 1u) % flash->unit == 0) {
            flash->programmed[(address + i) / flash->unit] = 0;
        }
    }
    return cut ? STORE_FAILED : STORE_OK;
}

static store_result_t upload(store_t *store, const uint8_t *table, uint32_t table_bytes)
{
    store_record_t record = {.table_bytes = table_bytes, .table_crc = crc32_update(0, table, table_bytes)};
    digest_t digest;
    digest_start(&digest);
    digest_update(&digest, table, table_bytes);
    digest_finish(&digest, record.digest);
    store_result_t result = store_begin(store, &record);
    if (result == STORE_OK) {
        do {
            result = store_erase_step(store);
        } while (result == STORE_BUSY);
    }
    for (uint32_t offset = 0; offset < table_bytes && result == STORE_OK; offset += BLOCK_BYTES) {
        const uint32_t left = table_bytes - offset;
        result = store_write(store, offset, table + offset, left < BLOCK_BYTES ? left : BLOCK_BYTES);
    }
    return result == STORE_OK ? store_commit(store) : result;
}

/* The table in use, read through the store, so that what is told is what a controller would load. */
static void look(store_t *store, flash_t *flash, flash_seen_t *seen)
{
    if (!store_has_table(store) || flash->dead != 0) {
        return;
    }
    seen->sequence = store_record(store)->sequence;
    seen->table_bytes = store_record(store)->table_bytes;
    const uint32_t n = seen->table_bytes < FLASH_TABLE_MAX ? seen->table_bytes : FLASH_TABLE_MAX;
    if (store_read(store, false, 0, seen->table, n) != STORE_OK) {
        (void)refuse(flash, __LINE__);
    }
}

ENTRY void flash_session(flash_t *flash, const uint8_t *table, uint32_t table_bytes, flash_seen_t *seen)
{
    store_t store;
    const store_config_t config = {
        .context = flash,
        .read = flash_read,
        .program = flash_program,
        .erase = flash_erase,
        .work_bytes = FLASH_BYTES_MAX, /* never used by this store: nothing here asks for a view */
        .slot_address = {flash->slot_address[0], flash->slot_address[1]},
        .sector_bytes = flash->sector_bytes,
        .sectors = flash->sectors,
        .unit = flash->unit,
        .erased = (uint8_t)flash->erased,
        .program_twice = flash->program_twice != 0,
    };
    flash->operations = flash->dead = flash->broken = 0;
    core_fill((uint8_t *)seen, 0, sizeof *seen);
    seen->start = store_start(&store, &config);
    seen->upload = table == NULL ? STORE_NONE : upload(&store, table, table_bytes);
    look(&store, flash, seen);
    seen->broken = flash->broken;
    seen->operations = flash->operations;
    seen->assert_line = core_assert_line();
}

ENTRY uint32_t flash_try_program(flash_t *flash, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    return (uint32_t)flash_program(flash, address, bytes, n);
}

ENTRY uint32_t flash_try_erase(flash_t *flash, uint32_t address)
{
    return (uint32_t)flash_erase(flash, address);
}
