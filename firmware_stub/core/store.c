#include "store.h"

#include "crc.h"

#define HEADER_MAGIC 0x44484254u  /* "TBHD" */
#define COMMIT_MAGIC 0x4D434254u  /* "TBCM" */
#define SETTLED_MAGIC 0x54534254u /* "TBST" */
#define RECORD_LAYOUT 1u
#define CHUNK_BYTES 64u

/* ---- places ---- */

static uint32_t slot_bytes(const store_config_t *config)
{
    return config->sector_bytes * config->sectors;
}

static uint32_t header_at(const store_config_t *config, uint32_t slot)
{
    return config->slot_address[slot];
}

static uint32_t table_at(const store_config_t *config, uint32_t slot)
{
    return config->slot_address[slot] + STORE_HEADER_BYTES;
}

static uint32_t commit_at(const store_config_t *config, uint32_t slot)
{
    return config->slot_address[slot] + slot_bytes(config) - STORE_SETTLED_BYTES - STORE_COMMIT_BYTES;
}

static uint32_t settled_at(const store_config_t *config, uint32_t slot)
{
    return config->slot_address[slot] + slot_bytes(config) - STORE_SETTLED_BYTES;
}

uint32_t store_capacity(const store_config_t *config)
{
    CORE_ASSERT(config != NULL);
    const uint32_t room = slot_bytes(config) - STORE_HEADER_BYTES - STORE_COMMIT_BYTES - STORE_SETTLED_BYTES;
    return config->map == NULL && config->work_bytes < room ? config->work_bytes : room;
}

static bool geometry_holds(const store_config_t *config)
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

static void write_header(const store_record_t *record, uint8_t bytes[STORE_HEADER_BYTES])
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

/* Commit and settled record have one form and differ in their first word. */
static void write_mark(const store_record_t *record, uint32_t magic, uint8_t bytes[STORE_COMMIT_BYTES])
{
    CORE_ASSERT(record->sequence > 0);
    core_fill(bytes, 0, STORE_COMMIT_BYTES);
    core_write_u32(bytes, magic);
    core_write_u16(bytes + 4, RECORD_LAYOUT);
    core_write_u32(bytes + 8, record->sequence);
    core_write_u32(bytes + 12, record->header_crc);
    core_write_u32(bytes + 28, crc32_update(0, bytes, 28));
}

static bool is_same(const uint8_t *a, const uint8_t *b, uint32_t n)
{
    for (uint32_t i = 0; i < n; i++) {
        if (a[i] != b[i]) {
            return false;
        }
    }
    return true;
}

static bool is_blank(const uint8_t *bytes, uint32_t n, uint8_t erased)
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
    if (config->read(config->context, header_at(config, slot), bytes, sizeof bytes) != STORE_OK) {
        return STORE_PART_BAD;
    }
    if (is_blank(bytes, sizeof bytes, config->erased)) {
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

/* With a good header a mark must belong to it; without one its own CRC says what is known, and its sequence is taken. */
static store_part_t read_mark(const store_config_t *config, uint32_t address, uint32_t magic, bool header_good, store_record_t *record)
{
    uint8_t bytes[STORE_COMMIT_BYTES];
    if (config->read(config->context, address, bytes, sizeof bytes) != STORE_OK) {
        return STORE_PART_BAD;
    }
    if (is_blank(bytes, sizeof bytes, config->erased)) {
        return STORE_PART_BLANK;
    }
    if (core_read_u32(bytes) != magic || core_read_u16(bytes + 4) != RECORD_LAYOUT ||
        crc32_update(0, bytes, 28) != core_read_u32(bytes + 28)) {
        return STORE_PART_BAD;
    }
    if (!header_good) {
        record->sequence = core_read_u32(bytes + 8);
        return STORE_PART_GOOD;
    }
    const bool belongs = core_read_u32(bytes + 8) == record->sequence && core_read_u32(bytes + 12) == record->header_crc;
    return belongs ? STORE_PART_GOOD : STORE_PART_BAD;
}

/* Digest besides CRC: a table ends in its own CRC, so the CRC over all of it is the same number for every table, and would not tell
 * one table from another. */
static bool table_is_whole(const store_config_t *config, uint32_t slot, const store_record_t *record)
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
        if (config->read(config->context, table_at(config, slot) + offset, bytes, n) != STORE_OK) {
            return false;
        }
        crc = crc32_update(crc, bytes, n);
        digest_update(&digest, bytes, n);
    }
    digest_finish(&digest, found);
    return crc == record->table_crc && is_same(found, record->digest, DIGEST_BYTES);
}

static store_class_t look_at(const store_config_t *config, uint32_t slot, store_record_t *record)
{
    core_fill((uint8_t *)record, 0, sizeof *record);
    const store_part_t header = read_header(config, slot, record);
    const bool good = header == STORE_PART_GOOD;
    if (!good) {
        core_fill((uint8_t *)record, 0, sizeof *record);
    }
    const store_part_t commit = read_mark(config, commit_at(config, slot), COMMIT_MAGIC, good, record);
    const store_part_t settled = read_mark(config, settled_at(config, slot), SETTLED_MAGIC, good, record);
    const store_class_t found = store_class(header, commit, good && table_is_whole(config, slot, record), settled);
    /* Memory that cannot complete a cut program: what may be torn is given up while the older record is certain. */
    return found == STORE_SLOT_DOUBT && !config->program_twice ? STORE_SLOT_UNFINISHED : found;
}

/* ---- operations that are checked by reading ---- */

static bool reads_as(const store_config_t *config, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    CORE_ASSERT(n <= CHUNK_BYTES);
    uint8_t found[CHUNK_BYTES];
    return config->read(config->context, address, found, n) == STORE_OK && is_same(found, bytes, n);
}

static bool program(const store_config_t *config, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    CORE_ASSERT(address % config->unit == 0);
    CORE_ASSERT(n % config->unit == 0);
    return config->program(config->context, address, bytes, n) == STORE_OK;
}

/* One operation, a second one where the memory takes it and the first did not do. */
static bool program_mark(const store_config_t *config, uint32_t slot, const store_record_t *record, uint32_t magic)
{
    uint8_t bytes[STORE_COMMIT_BYTES];
    write_mark(record, magic, bytes);
    const uint32_t address = magic == COMMIT_MAGIC ? commit_at(config, slot) : settled_at(config, slot);
    CORE_ASSERT(address >= config->slot_address[slot] + STORE_HEADER_BYTES + record->table_bytes);
    const uint32_t tries = config->program_twice ? 2u : 1u;
    for (uint32_t i = 0; i < tries; i++) {
        if (program(config, address, bytes, sizeof bytes) && reads_as(config, address, bytes, sizeof bytes)) {
            return true;
        }
    }
    return false;
}

static store_result_t erase_and_wait(const store_config_t *config, uint32_t address)
{
    CORE_ASSERT(config->erase != NULL);
    store_result_t result = STORE_BUSY;
    for (uint32_t i = 0; i < STORE_BUSY_MAX && result == STORE_BUSY; i++) {
        result = config->erase(config->context, address);
    }
    return result == STORE_OK ? STORE_OK : STORE_FAILED;
}

/* ---- start ---- */

static store_order_t order_of(const store_t *store)
{
    const uint32_t a = store->record[0].sequence;
    const uint32_t b = store->record[1].sequence;
    if (a == b) {
        return STORE_SAME_AGE;
    }
    return a > b ? STORE_0_NEWER : STORE_1_NEWER;
}

bool store_has_table(const store_t *store)
{
    CORE_ASSERT(store != NULL);
    return store->choice == STORE_TAKE_0 || store->choice == STORE_TAKE_1;
}

static uint32_t slot_in_use(const store_t *store)
{
    CORE_ASSERT(store_has_table(store));
    return store->choice == STORE_TAKE_1 ? 1u : 0u;
}

const store_record_t *store_record(const store_t *store)
{
    return &store->record[slot_in_use(store)];
}

static void clean_up(store_t *store)
{
    for (uint32_t slot = 0; slot < STORE_SLOTS; slot++) {
        const store_class_t found = store->slot_class[slot];
        if (found == STORE_SLOT_UNFINISHED || found == STORE_SLOT_RUBBISH) {
            /* A commit record that was cut could read right at a later start and bring up what this start did not give out. If
             * the erase fails nothing is lost: the next start sees the same and tries again. */
            (void)erase_and_wait(store->config, header_at(store->config, slot));
        }
    }
}

store_result_t store_start(store_t *store, const store_config_t *config)
{
    CORE_ASSERT(store != NULL);
    CORE_ASSERT(config != NULL);
    core_fill((uint8_t *)store, 0, sizeof *store);
    store->config = config;
    store->choice = STORE_TAKE_NONE;
    if (!geometry_holds(config)) {
        return STORE_MISUSE;
    }
    for (uint32_t slot = 0; slot < STORE_SLOTS; slot++) {
        store->slot_class[slot] = look_at(config, slot, &store->record[slot]);
    }
    store->choice = store_choose(store->slot_class[0], store->slot_class[1], order_of(store));
    if (store_has_table(store)) {
        const uint32_t slot = slot_in_use(store);
        if (store->slot_class[slot] == STORE_SLOT_DOUBT && program_mark(config, slot, &store->record[slot], COMMIT_MAGIC) &&
            program_mark(config, slot, &store->record[slot], SETTLED_MAGIC)) {
            store->slot_class[slot] = STORE_SLOT_SETTLED;
        }
    }
    clean_up(store);
    if (store->choice == STORE_TAKE_DAMAGED) {
        return STORE_DAMAGED;
    }
    return store_has_table(store) ? STORE_OK : STORE_NONE;
}

/* ---- reading ---- */

store_result_t store_read(store_t *store, bool fresh, uint32_t offset, uint8_t *bytes, uint32_t n)
{
    CORE_ASSERT(store != NULL);
    if (fresh ? !store->writing : !store_has_table(store)) {
        return STORE_NONE;
    }
    const uint32_t length = fresh ? store->fresh.table_bytes : store_record(store)->table_bytes;
    if (offset > length || n > length - offset) {
        return STORE_MISUSE;
    }
    const uint32_t slot = fresh ? store->target : slot_in_use(store);
    return store->config->read(store->config->context, table_at(store->config, slot) + offset, bytes, n);
}

store_result_t store_view(store_t *store, bool fresh, const uint8_t **bytes)
{
    CORE_ASSERT(store != NULL);
    if (fresh ? !store->writing : !store_has_table(store)) {
        return STORE_NONE;
    }
    const store_config_t *config = store->config;
    if (config->map != NULL) {
        *bytes = config->map(config->context, table_at(config, fresh ? store->target : slot_in_use(store)));
        return STORE_OK;
    }
    const uint32_t length = fresh ? store->fresh.table_bytes : store_record(store)->table_bytes;
    CORE_ASSERT(length <= config->work_bytes);
    *bytes = config->work;
    return store_read(store, fresh, 0, config->work, length);
}

/* ---- writing ---- */

/* The slot not in use; with no table at all the one whose loss changes no later choice (INV-STORE-2, INV-STORE-5). */
static uint32_t free_slot(const store_t *store)
{
    if (store_has_table(store)) {
        return 1u - slot_in_use(store);
    }
    return store->record[0].sequence > store->record[1].sequence ? 1u : 0u;
}

static uint32_t newest_sequence(const store_t *store)
{
    const uint32_t a = store->record[0].sequence;
    const uint32_t b = store->record[1].sequence;
    return a > b ? a : b;
}

store_result_t store_begin(store_t *store, const store_record_t *record)
{
    CORE_ASSERT(store != NULL);
    CORE_ASSERT(record != NULL);
    if (!geometry_holds(store->config) || newest_sequence(store) == UINT32_MAX) {
        return STORE_MISUSE;
    }
    if (record->table_bytes == 0 || record->table_bytes > store_capacity(store->config)) {
        return STORE_TOO_LONG;
    }
    uint8_t header[STORE_HEADER_BYTES];
    store->fresh = *record;
    store->fresh.sequence = newest_sequence(store) + 1u;
    write_header(&store->fresh, header);
    store->fresh.header_crc = core_read_u32(header + 60);
    store->target = free_slot(store);
    store->erase_next = 0;
    store->writing = true;
    return STORE_OK;
}

store_result_t store_erase_step(store_t *store)
{
    CORE_ASSERT(store != NULL);
    if (!store->writing) {
        return STORE_MISUSE;
    }
    const store_config_t *config = store->config;
    CORE_ASSERT(!store_has_table(store) || store->target != slot_in_use(store)); /* INV-STORE-3 */
    if (store->erase_next < config->sectors) {
        const uint32_t address = config->slot_address[store->target] + store->erase_next * config->sector_bytes;
        const store_result_t result = config->erase(config->context, address);
        if (result == STORE_OK) {
            store->erase_next++;
        }
        return result == STORE_FAILED ? STORE_FAILED : STORE_BUSY;
    }
    if (store->erase_next > config->sectors) {
        return STORE_OK; /* the header is there already */
    }
    uint8_t header[STORE_HEADER_BYTES];
    write_header(&store->fresh, header);
    const uint32_t address = header_at(config, store->target);
    if (!program(config, address, header, sizeof header) || !reads_as(config, address, header, sizeof header)) {
        return STORE_FAILED;
    }
    store->erase_next++;
    return STORE_OK;
}

store_result_t store_write(store_t *store, uint32_t offset, const uint8_t *bytes, uint32_t n)
{
    CORE_ASSERT(store != NULL);
    CORE_ASSERT(bytes != NULL);
    const store_config_t *config = store->config;
    if (!store->writing || store->erase_next <= config->sectors || offset % STORE_UNIT_MAX != 0) {
        return STORE_MISUSE;
    }
    if (offset > store->fresh.table_bytes || n > store->fresh.table_bytes - offset) {
        return STORE_MISUSE;
    }
    const uint32_t whole = n - n % config->unit;
    const uint32_t address = table_at(config, store->target) + offset;
    if (whole > 0 && !program(config, address, bytes, whole)) {
        return STORE_FAILED;
    }
    if (whole < n) { /* the table's end: filled up with what erased flash reads as */
        uint8_t last[STORE_UNIT_MAX];
        core_fill(last, config->erased, sizeof last);
        core_copy(last, bytes + whole, n - whole);
        if (!program(config, address + whole, last, config->unit)) {
            return STORE_FAILED;
        }
    }
    return STORE_OK;
}

store_result_t store_commit(store_t *store)
{
    CORE_ASSERT(store != NULL);
    const store_config_t *config = store->config;
    if (!store->writing || store->erase_next <= config->sectors) {
        return STORE_MISUSE;
    }
    const uint32_t slot = store->target;
    CORE_ASSERT(!store_has_table(store) || slot != slot_in_use(store)); /* INV-STORE-3 */
    const uint32_t address = header_at(config, slot);
    uint8_t header[STORE_HEADER_BYTES];
    write_header(&store->fresh, header);
    store->writing = false;
    if (!reads_as(config, address, header, sizeof header) || !table_is_whole(config, slot, &store->fresh)) {
        return STORE_FAILED;
    }
    if (!program_mark(config, slot, &store->fresh, COMMIT_MAGIC)) {
        (void)erase_and_wait(config, address); /* so that it does not come up at the next start after all */
        return STORE_FAILED;
    }
    /* Without the settled record the next start programs the commit record once more: nothing is lost. */
    (void)program_mark(config, slot, &store->fresh, SETTLED_MAGIC);
    store->record[slot] = store->fresh;
    store->slot_class[slot] = STORE_SLOT_SETTLED;
    store->choice = slot == 0 ? STORE_TAKE_0 : STORE_TAKE_1;
    return STORE_OK;
}

void store_abandon(store_t *store)
{
    CORE_ASSERT(store != NULL);
    store->writing = false;
}
