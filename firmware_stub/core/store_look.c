/* What is in a slot, told from its bytes alone. */
#include "store_parts.h"

#include "crc.h"

#define HEADER_MAGIC 0x44484254u /* "TBHD" */
#define RECORD_LAYOUT 1u
#define WRONG_BYTES_MAX 2u /* of a mark whose bytes are known: so much rot, and it still says what it says */

/* ---- places ---- */

static uint32_t slot_bytes(const store_config_t *config)
{
    return config->sector_bytes * config->sectors;
}

uint32_t store_header_at(const store_config_t *config, uint32_t slot)
{
    return config->slot_address[slot];
}

uint32_t store_table_at(const store_config_t *config, uint32_t slot)
{
    return config->slot_address[slot] + STORE_HEADER_BYTES;
}

uint32_t store_mark_at(const store_config_t *config, uint32_t slot, uint32_t magic)
{
    const uint32_t settled = config->slot_address[slot] + slot_bytes(config) - STORE_SETTLED_BYTES;
    if (magic == SETTLED_MAGIC) {
        return settled;
    }
    return magic == COMMIT_MAGIC ? settled - STORE_COMMIT_BYTES : settled - STORE_COMMIT_BYTES - STORE_VERDICT_BYTES;
}

uint32_t store_capacity(const store_config_t *config)
{
    CORE_ASSERT(config != NULL);
    const uint32_t room = slot_bytes(config) - STORE_HEADER_BYTES - STORE_VERDICT_BYTES - STORE_COMMIT_BYTES - STORE_SETTLED_BYTES;
    return config->map == NULL && config->work_bytes < room ? config->work_bytes : room;
}

bool store_geometry_holds(const store_config_t *config)
{
    const uint32_t unit = config->unit;
    if (unit == 0 || unit > STORE_UNIT_MAX || (unit & (unit - 1u)) != 0 || config->sectors == 0) {
        return false;
    }
    if (config->sector_bytes < 128u || config->sector_bytes % STORE_UNIT_MAX != 0) {
        return false;
    }
    if (config->sectors > 0x7FFFFFFFu / config->sector_bytes || slot_bytes(config) < 256u) {
        return false;
    }
    const uint32_t a = config->slot_address[0];
    const uint32_t b = config->slot_address[1];
    return (a < b ? b - a : a - b) >= slot_bytes(config);
}

/* ---- records and their bytes ---- */

void store_write_header(const store_record_t *record, uint8_t bytes[STORE_HEADER_BYTES])
{
    CORE_ASSERT(record->sequence > 0);
    core_fill(bytes, 0, STORE_HEADER_BYTES);
    core_write_u32(bytes, HEADER_MAGIC);
    core_write_u16(bytes + 4, RECORD_LAYOUT);
    core_write_u32(bytes + 8, record->sequence);
    core_write_u32(bytes + 12, record->table_bytes);
    core_write_u32(bytes + 16, record->table_crc);
    core_copy(bytes + 20, record->digest, DIGEST_BYTES);
    core_write_u32(bytes + 60, crc32_update(0, bytes, 60));
}

/* Commit, settled and verdict record have one form and differ in their first word. */
void store_write_mark(const store_record_t *record, uint32_t magic, uint8_t bytes[STORE_COMMIT_BYTES])
{
    CORE_ASSERT(record->sequence > 0);
    core_fill(bytes, 0, STORE_COMMIT_BYTES);
    core_write_u32(bytes, magic);
    core_write_u16(bytes + 4, RECORD_LAYOUT);
    core_write_u32(bytes + 8, record->sequence);
    core_write_u32(bytes + 12, record->header_crc);
    core_write_u32(bytes + 28, crc32_update(0, bytes, 28));
}

bool store_is_same(const uint8_t *a, const uint8_t *b, uint32_t n)
{
    for (uint32_t i = 0; i < n; i++) {
        if (a[i] != b[i]) {
            return false;
        }
    }
    return true;
}

bool store_is_blank(const uint8_t *bytes, uint32_t n, uint8_t erased)
{
    for (uint32_t i = 0; i < n; i++) {
        if (bytes[i] != erased) {
            return false;
        }
    }
    return true;
}

static store_part_t read_header(const store_config_t *config, uint32_t slot, store_record_t *record)
{
    uint8_t bytes[STORE_HEADER_BYTES];
    if (config->read(config->context, store_header_at(config, slot), bytes, sizeof bytes) != STORE_OK) {
        return STORE_PART_BAD;
    }
    if (store_is_blank(bytes, sizeof bytes, config->erased)) {
        return STORE_PART_BLANK;
    }
    record->sequence = core_read_u32(bytes + 8);
    record->table_bytes = core_read_u32(bytes + 12);
    record->table_crc = core_read_u32(bytes + 16);
    core_copy(record->digest, bytes + 20, DIGEST_BYTES);
    record->header_crc = core_read_u32(bytes + 60);
    const bool right = core_read_u32(bytes) == HEADER_MAGIC && core_read_u16(bytes + 4) == RECORD_LAYOUT &&
                       crc32_update(0, bytes, 60) == record->header_crc && record->sequence != 0 &&
                       record->table_bytes <= store_capacity(config);
    return right ? STORE_PART_GOOD : STORE_PART_BAD;
}

static uint32_t count_wrong(const uint8_t *a, const uint8_t *b, uint32_t n)
{
    uint32_t wrong = 0;
    for (uint32_t i = 0; i < n; i++) {
        wrong += a[i] != b[i] ? 1u : 0u;
    }
    return wrong;
}

store_part_t store_read_mark(const store_config_t *config, uint32_t slot, uint32_t magic, bool header_good, store_record_t *record)
{
    uint8_t bytes[STORE_COMMIT_BYTES];
    uint8_t wanted[STORE_COMMIT_BYTES];
    if (config->read(config->context, store_mark_at(config, slot, magic), bytes, sizeof bytes) != STORE_OK) {
        return STORE_PART_BAD;
    }
    if (store_is_blank(bytes, sizeof bytes, config->erased)) {
        return STORE_PART_BLANK;
    }
    if (record->sequence != 0) {
        store_write_mark(record, magic, wanted);
        if (count_wrong(bytes, wanted, sizeof bytes) <= WRONG_BYTES_MAX) {
            return STORE_PART_GOOD;
        }
    }
    if (header_good || core_read_u32(bytes) != magic || core_read_u16(bytes + 4) != RECORD_LAYOUT ||
        crc32_update(0, bytes, 28) != core_read_u32(bytes + 28)) {
        return STORE_PART_BAD;
    }
    record->sequence = core_read_u32(bytes + 8);
    record->header_crc = core_read_u32(bytes + 12);
    return STORE_PART_GOOD;
}

static store_verdict_t read_verdict(const store_config_t *config, uint32_t slot, bool header_good, store_record_t *record)
{
    const store_part_t cancelled = store_read_mark(config, slot, CANCELLED_MAGIC, header_good, record);
    if (cancelled != STORE_PART_BAD) {
        return cancelled == STORE_PART_GOOD ? STORE_VERDICT_CANCELLED : STORE_VERDICT_BLANK;
    }
    const store_part_t confirmed = store_read_mark(config, slot, CONFIRMED_MAGIC, header_good, record);
    return confirmed == STORE_PART_GOOD ? STORE_VERDICT_CONFIRMED : STORE_VERDICT_BAD;
}

/* Digest besides CRC: a table ends in its own CRC, so the CRC over all of it is the same number for every table, and would not tell
 * one table from another. */
bool store_table_is_whole(const store_config_t *config, uint32_t slot, const store_record_t *record)
{
    CORE_ASSERT(record->table_bytes <= store_capacity(config));
    uint8_t bytes[CHUNK_BYTES];
    uint8_t found[DIGEST_BYTES];
    digest_t digest;
    digest_start(&digest);
    uint32_t crc = 0;
    uint32_t n;
    for (uint32_t offset = 0; offset < record->table_bytes; offset += n) {
        const uint32_t left = record->table_bytes - offset;
        n = left < CHUNK_BYTES ? left : CHUNK_BYTES;
        if (config->read(config->context, store_table_at(config, slot) + offset, bytes, n) != STORE_OK) {
            return false;
        }
        crc = crc32_update(crc, bytes, n);
        digest_update(&digest, bytes, n);
    }
    digest_finish(&digest, found);
    return crc == record->table_crc && store_is_same(found, record->digest, DIGEST_BYTES);
}

store_class_t store_look_at(const store_config_t *config, uint32_t slot, store_record_t *record)
{
    core_fill((uint8_t *)record, 0, sizeof *record);
    store_facts_t facts;
    facts.header = read_header(config, slot, record);
    const bool good = facts.header == STORE_PART_GOOD;
    if (!good) {
        core_fill((uint8_t *)record, 0, sizeof *record);
    }
    facts.whole = good && store_table_is_whole(config, slot, record);
    facts.commit = store_read_mark(config, slot, COMMIT_MAGIC, good, record);
    facts.settled = store_read_mark(config, slot, SETTLED_MAGIC, good, record);
    facts.verdict = read_verdict(config, slot, good, record);
    return store_class(&facts);
}
