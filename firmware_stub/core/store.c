#include "store_parts.h"

/* ---- operations that are checked by reading ---- */

static bool reads_as(const store_config_t *config, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    CORE_ASSERT(n <= CHUNK_BYTES);
    uint8_t found[CHUNK_BYTES];
    return config->read(config->context, address, found, n) == STORE_OK && store_is_same(found, bytes, n);
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
    store_write_mark(record, magic, bytes);
    const uint32_t address = store_mark_at(config, slot, magic);
    CORE_ASSERT(address >= config->slot_address[slot] + STORE_HEADER_BYTES + record->table_bytes);
    const uint32_t tries = config->program_twice ? 2u : 1u;
    for (uint32_t i = 0; i < tries; i++) {
        if (program(config, address, bytes, sizeof bytes) && reads_as(config, address, bytes, sizeof bytes)) {
            return true;
        }
    }
    return false;
}

/* A cell or two that do not take it are no reason to cancel: every start takes such a record as good. */
static bool program_settled(const store_config_t *config, uint32_t slot, store_record_t *record)
{
    return program_mark(config, slot, record, SETTLED_MAGIC) ||
           store_read_mark(config, slot, SETTLED_MAGIC, true, record) == STORE_PART_GOOD;
}

/* Whether all that is programmed there is part of the mark: blank, or torn. */
static bool can_take(const store_config_t *config, uint32_t slot, const store_record_t *record, uint32_t magic)
{
    uint8_t bytes[STORE_COMMIT_BYTES];
    uint8_t wanted[STORE_COMMIT_BYTES];
    if (config->read(config->context, store_mark_at(config, slot, magic), bytes, sizeof bytes) != STORE_OK) {
        return false;
    }
    store_write_mark(record, magic, wanted);
    for (uint32_t i = 0; i < sizeof bytes; i++) {
        const uint32_t set = (uint32_t)bytes[i] ^ config->erased;
        const uint32_t may_set = config->program_twice ? (uint32_t)wanted[i] ^ config->erased : 0;
        if ((set & ~may_set) != 0) {
            return false;
        }
    }
    return true;
}

static bool complete_mark(const store_config_t *config, uint32_t slot, const store_record_t *record, uint32_t magic)
{
    return can_take(config, slot, record, magic) && program_mark(config, slot, record, magic);
}

static bool sector_is_blank(const store_config_t *config, uint32_t address)
{
    uint8_t bytes[CHUNK_BYTES];
    uint32_t n;
    for (uint32_t offset = 0; offset < config->sector_bytes; offset += n) {
        const uint32_t left = config->sector_bytes - offset;
        n = left < CHUNK_BYTES ? left : CHUNK_BYTES;
        if (config->read(config->context, address + offset, bytes, n) != STORE_OK || !store_is_blank(bytes, n, config->erased)) {
            return false;
        }
    }
    return true;
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

/* Whatever cut the commit record or the settled record, both are programmed again: the table must stay taken, however they would have
 * read next time. The commit record goes first: where there is a trace of a settled record, the commit record is certain. */
static bool complete_both(const store_config_t *config, uint32_t slot, const store_record_t *record)
{
    if (config->program_twice && !complete_mark(config, slot, record, COMMIT_MAGIC)) {
        return false;
    }
    /* Where no unit takes two: only a blank one, and `read` vouches for the commit record. */
    return complete_mark(config, slot, record, SETTLED_MAGIC);
}

static void settle(store_t *store)
{
    const store_config_t *config = store->config;
    const uint32_t slot = slot_in_use(store);
    if (store->slot_class[slot] != STORE_SLOT_DOUBT) {
        return;
    }
    const store_record_t *record = &store->record[slot];
    if (complete_both(config, slot, record) || complete_mark(config, slot, record, CONFIRMED_MAGIC)) {
        store->slot_class[slot] = STORE_SLOT_SETTLED;
    } else {
        store->choice = STORE_TAKE_DAMAGED; /* given out now, it could be gone at the next start */
    }
}

/* An upload that this start does not give out must not come up at a later one by itself. If that fails, it may: a newer table after
 * an older one. */
static void cancel(store_t *store)
{
    for (uint32_t slot = 0; slot < STORE_SLOTS; slot++) {
        if (store->slot_class[slot] == STORE_SLOT_OPEN) {
            (void)complete_mark(store->config, slot, &store->record[slot], CANCELLED_MAGIC);
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
    if (!store_geometry_holds(config)) {
        return STORE_MISUSE;
    }
    for (uint32_t slot = 0; slot < STORE_SLOTS; slot++) {
        store->slot_class[slot] = store_look_at(config, slot, &store->record[slot]);
    }
    store->choice = store_choose(store->slot_class[0], store->slot_class[1], order_of(store));
    if (store_has_table(store)) {
        settle(store);
    }
    cancel(store);
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
    return store->config->read(store->config->context, store_table_at(store->config, slot) + offset, bytes, n);
}

store_result_t store_view(store_t *store, bool fresh, const uint8_t **bytes)
{
    CORE_ASSERT(store != NULL);
    if (fresh ? !store->writing : !store_has_table(store)) {
        return STORE_NONE;
    }
    const store_config_t *config = store->config;
    if (config->map != NULL) {
        *bytes = config->map(config->context, store_table_at(config, fresh ? store->target : slot_in_use(store)));
        return STORE_OK;
    }
    const uint32_t length = fresh ? store->fresh.table_bytes : store_record(store)->table_bytes;
    CORE_ASSERT(length <= config->work_bytes);
    *bytes = config->work;
    return store_read(store, fresh, 0, config->work, length);
}

/* ---- writing ---- */

/* The slot not in use; with no table at all the one whose loss changes no later choice (INV-STORE-2, INV-STORE-5): never the only
 * damaged one, however new the header of a broken off upload beside it is. */
static uint32_t free_slot(const store_t *store)
{
    if (store_has_table(store)) {
        return 1u - slot_in_use(store);
    }
    const bool damaged_0 = store->slot_class[0] == STORE_SLOT_DAMAGED;
    const bool damaged_1 = store->slot_class[1] == STORE_SLOT_DAMAGED;
    if (damaged_0 != damaged_1) {
        return damaged_0 ? 1u : 0u;
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
    if (!store_geometry_holds(store->config) || newest_sequence(store) == UINT32_MAX) {
        return STORE_MISUSE;
    }
    if (record->table_bytes == 0 || record->table_bytes > store_capacity(store->config)) {
        return STORE_TOO_LONG;
    }
    uint8_t header[STORE_HEADER_BYTES];
    store->fresh = *record;
    store->fresh.sequence = newest_sequence(store) + 1u;
    store_write_header(&store->fresh, header);
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
            /* What an erase left could pass for part of a record of this upload. */
            if (!sector_is_blank(config, address)) {
                return STORE_FAILED;
            }
            store->erase_next++;
        }
        return result == STORE_FAILED ? STORE_FAILED : STORE_BUSY;
    }
    if (store->erase_next > config->sectors) {
        return STORE_OK; /* the header is there already */
    }
    uint8_t header[STORE_HEADER_BYTES];
    store_write_header(&store->fresh, header);
    const uint32_t address = store_header_at(config, store->target);
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
    const uint32_t address = store_table_at(config, store->target) + offset;
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
    const uint32_t address = store_header_at(config, slot);
    uint8_t header[STORE_HEADER_BYTES];
    store_write_header(&store->fresh, header);
    store->writing = false;
    if (!reads_as(config, address, header, sizeof header) || !store_table_is_whole(config, slot, &store->fresh)) {
        return STORE_FAILED;
    }
    if (!program_mark(config, slot, &store->fresh, COMMIT_MAGIC) || !program_settled(config, slot, &store->fresh)) {
        /* so that it does not come up at the next start after all */
        (void)program_mark(config, slot, &store->fresh, CANCELLED_MAGIC);
        return STORE_FAILED;
    }
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
