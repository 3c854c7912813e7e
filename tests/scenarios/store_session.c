#include "store_session_parts.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define BLOCK_BYTES 64u
#define PATIENCE 1000u /* times that a busy erase is asked again in an upload, as a deadline of the link would */

static const char *const table_names[TABLE_STRANGE + 1] = {
    "OLDER", "OLD", "NEW", "NEXT", "AFTER", "LAST", "", "no table", "a table that nobody uploaded",
};
static const char *const rule_names[NOR_RULES] = {
    "",
    "read outside the flash",
    "program outside the flash",
    "program of something else than whole units",
    "program of a unit that takes no second one",
    "erase of something else than a sector",
    "erase outside the slots",
    "erase of the slot in use",
    "program in the slot in use",
};

static uint8_t work[TABLE_BYTES_MAX];
taken_t session_taken[CALLS_MAX];
context_t *session_noting;

const char *table_name(uint32_t name)
{
    return table_names[name];
}

/* ---- saying and losing ---- */

void session_say(session_t *session, const char *format, ...)
{
    if (session->log == NULL || session->log_at + WHY_BYTES > session->log_bytes) {
        return;
    }
    va_list arguments;
    va_start(arguments, format);
    const int n = vsnprintf(session->log + session->log_at, WHY_BYTES, format, arguments);
    va_end(arguments);
    session->log_at += n > 0 ? (size_t)n < WHY_BYTES ? (size_t)n : WHY_BYTES - 1u : 0;
}

void session_lose(session_t *session, const char *format, ...)
{
    if (session->lost) {
        return; /* the first reason is the one that tells */
    }
    session->lost = true;
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(session->why, WHY_BYTES, format, arguments);
    va_end(arguments);
    session_say(session, "  !! %s\n", session->why);
}

static void check_rules(session_t *session)
{
    if (session->nor.broken != NOR_KEEPS_RULES) {
        session_lose(session, "operation %u: %s", session->nor.broken_at, rule_names[session->nor.broken]);
    }
    if (core_assert_line() != 0) {
        session_lose(session, "assertion of the core failed, line %u", core_assert_line());
    }
}

static void check_operations(session_t *session, const char *call, uint32_t before, uint32_t most)
{
    const uint32_t taken = session->nor.operations - before;
    if (taken > most) {
        session_lose(session, "%s took %u operations, %u are allowed (INV-STORE-7)", call, taken, most);
    }
}

/* ---- the memory ---- */

static void note(const session_t *session, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    const uint32_t next = session->nor.operations + 1u;
    if (session_noting != NULL && next <= OPERATIONS_MAX && address + n <= session->nor.geometry.byte_count) {
        session_noting->changes[next] = nor_would_change(&session->nor, address, bytes, n);
    }
}

static store_result_t on_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    session_t *session = (session_t *)context;
    note(session, address, bytes, n);
    const store_result_t result = nor_program(&session->nor, address, bytes, n);
    session_say(session, "    %u: program %u bytes at %u%s\n", session->nor.operations, n, address,
                session->nor.dead ? ", the power is gone" : result != STORE_OK ? ", failed" : "");
    return result;
}

static store_result_t on_erase(void *context, uint32_t address)
{
    session_t *session = (session_t *)context;
    note(session, address, NULL, session->nor.geometry.sector_bytes);
    const store_result_t result = nor_erase(&session->nor, address);
    if (result != STORE_BUSY) {
        session_say(session, "    %u: erase at %u%s\n", session->nor.operations, address,
                    session->nor.dead ? ", the power is gone" : result != STORE_OK ? ", failed" : "");
    }
    return result;
}

static store_result_t on_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    return nor_read(&((session_t *)context)->nor, address, bytes, n);
}

void session_connect(session_t *session, uint32_t index)
{
    const nor_geometry_t *flash = geometry_of(index);
    store_config_t *config = &session->config;
    config->context = session;
    config->read = on_read;
    config->program = on_program;
    config->erase = on_erase;
    config->map = NULL;
    config->work = work;
    config->work_bytes = sizeof work;
    config->slot_address[0] = flash->slot[0];
    config->slot_address[1] = flash->slot[1];
    config->sector_bytes = flash->sector_bytes;
    config->sectors = flash->sectors;
    config->unit = flash->unit;
    config->erased = (uint8_t)flash->erased;
    config->program_twice = flash->program_twice != 0;
}

/* ---- what is in use, without the store's own word for it ---- */

static uint32_t table_given_out(session_t *session)
{
    if (!store_has_table(&session->store)) {
        return TABLE_NOTHING;
    }
    const store_record_t *record = store_record(&session->store);
    const uint8_t *bytes = NULL;
    if (store_view(&session->store, false, &bytes) != STORE_OK) {
        return TABLE_STRANGE;
    }
    for (uint32_t name = 0; name < TABLES; name++) {
        const stored_table_t *table = &session->context->table[name];
        if (table->record.table_bytes == record->table_bytes && memcmp(table->bytes, bytes, record->table_bytes) == 0) {
            return name;
        }
    }
    return TABLE_STRANGE;
}

/* `either`: cells that read at random count as right. */
static bool slot_holds(const session_t *session, uint32_t slot, uint32_t name, uint32_t sequence, bool either)
{
    const nor_t *nor = &session->nor;
    const stored_table_t *table = &session->context->table[name];
    const uint32_t at = nor->geometry.slot[slot];
    uint8_t wrong = 0;
    for (uint32_t i = 0; i < 4u; i++) {
        const uint8_t weak = either ? nor->weak[at + 8u + i] : 0;
        wrong |= (uint8_t)((nor->cells[at + 8u + i] ^ (sequence >> (8u * i))) & (uint8_t)~weak);
    }
    const uint32_t first = at + STORE_HEADER_BYTES;
    for (uint32_t i = 0; i < table->record.table_bytes && wrong == 0; i++) {
        const uint8_t weak = either ? nor->weak[first + i] : 0;
        wrong = (uint8_t)((nor->cells[first + i] ^ table->bytes[i]) & (uint8_t)~weak);
    }
    return wrong == 0;
}

/* The slot whose cells hold that table under that sequence; only where none does for certain, one whose cells may. */
static uint32_t slot_that_holds(const session_t *session, uint32_t name, uint32_t sequence)
{
    for (uint32_t turn = 0; turn < 2u * STORE_SLOTS; turn++) {
        if (slot_holds(session, turn % STORE_SLOTS, name, sequence, turn >= STORE_SLOTS)) {
            return turn % STORE_SLOTS;
        }
    }
    return NOR_NOBODY;
}

static void now_in_use(session_t *session, uint32_t name, const char *when)
{
    const uint32_t sequence = store_record(&session->store)->sequence;
    if (sequence < session->sequence) {
        session_lose(session, "%s: sequence %u after %u (INV-STORE-2)", when, sequence, session->sequence);
    }
    session->sequence = sequence;
    session->may = MAY(name) | (session->may & MAY_FAIL);
    session->nor.guard = slot_that_holds(session, name, sequence);
    if (session->nor.guard == NOR_NOBODY) {
        session_lose(session, "%s: %s is given out and is in no slot", when, table_names[name]);
    }
}

/* ---- calls ---- */

static void judge_start(session_t *session, store_result_t result)
{
    const uint32_t name = table_given_out(session);
    session_say(session, "  start: %s, sequence %u\n", result == STORE_DAMAGED ? "damaged" : table_names[name],
                name < TABLES ? store_record(&session->store)->sequence : 0);
    if (name == TABLE_STRANGE) {
        session_lose(session, "start: the table is neither the old nor the new one, whole (INV-STORE-1)");
        return;
    }
    if ((result == STORE_OK) != (name < TABLES) || (result != STORE_OK && result != STORE_NONE && result != STORE_DAMAGED)) {
        session_lose(session, "start: result %u with %s", (unsigned)result, table_names[name]);
    }
    const uint32_t found = result == STORE_DAMAGED ? MAY_DAMAGED : name < TABLES ? MAY(name) : MAY_NOTHING;
    const bool faulty = (session->may & MAY_FAIL) != 0;
    /* Memory that failed in a start may leave a record half done: none is given out then, or the newer one, never an older one. */
    const uint32_t failed = session->was_faulty ? MAY_DAMAGED | MAY_NOTHING : 0;
    if ((found & (session->may | failed | (faulty ? MAY_DAMAGED : 0))) == 0) {
        session_lose(session, "start: %s, which may not be (INV-STORE-1, 5)", found == MAY_DAMAGED ? "damaged" : table_names[name]);
        return;
    }
    const uint32_t before = session->may;
    if (name < TABLES) {
        now_in_use(session, name, "start");
        session->may |= session->was_faulty ? before : 0; /* an older one would have a lower sequence: lost above */
        session->may |= faulty ? before & ~(MAY(name) - 1u) : 0; /* what could not be cancelled may still come, never an older one */
    } else {
        session->may = session->was_faulty ? before | found : found;
        session->nor.guard = NOR_NOBODY;
    }
}

static void call_start(session_t *session)
{
    memset(&session->store, 0xA5, sizeof session->store);
    const store_result_t result = store_start(&session->store, &session->config);
    check_operations(session, "start", 0, session->start_operations);
    check_rules(session);
    if (!session->nor.dead) {
        judge_start(session, result);
    }
}

static bool call_begin(session_t *session, uint32_t name)
{
    const store_result_t result = store_begin(&session->store, &session->context->table[name].record);
    if (!session->nor.dead && result != STORE_OK) {
        session_lose(session, "begin: result %u", (unsigned)result);
    }
    return result == STORE_OK;
}

static store_result_t call_erase(session_t *session)
{
    const uint32_t before = session->nor.operations;
    const store_result_t result = store_erase_step(&session->store);
    check_operations(session, "erase step", before, 1);
    return result;
}

static bool call_write(session_t *session, uint32_t name, uint32_t offset)
{
    const stored_table_t *table = &session->context->table[name];
    const uint32_t left = table->record.table_bytes - offset;
    const uint32_t block = table->record.table_bytes > 2048u ? 8192u : BLOCK_BYTES;
    const uint32_t before = session->nor.operations;
    const store_result_t result = store_write(&session->store, offset, table->bytes + offset, left < block ? left : block);
    check_operations(session, "write", before, 2);
    return result == STORE_OK;
}

/* What commit says counts only where somebody is left to hear it. */
static bool call_commit(session_t *session, uint32_t name)
{
    const uint32_t before = session->nor.operations;
    const store_result_t result = store_commit(&session->store);
    check_operations(session, "commit", before, (session->may & MAY_FAIL) != 0 ? 6u : 2u);
    check_rules(session);
    if (session->nor.dead) {
        return false;
    }
    const uint32_t given = table_given_out(session);
    session_say(session, "  commit: %s, %s is in use\n", result == STORE_OK ? "done" : "failed", table_names[given]);
    if (result == STORE_OK) {
        if (given != name) {
            session_lose(session, "commit says done, and %s is in use", table_names[given]);
        } else {
            now_in_use(session, name, "commit");
        }
    } else if (given < TABLES && (session->may & MAY(given)) == 0) {
        session_lose(session, "commit says failed, and %s is in use", table_names[given]);
    }
    return result == STORE_OK;
}

/* ---- a session ---- */

uint32_t session_writes(const stored_table_t *table)
{
    const uint32_t block = table->record.table_bytes > 2048u ? 8192u : BLOCK_BYTES;
    return (table->record.table_bytes + block - 1u) / block;
}

bool session_call(session_t *session, uint32_t name, uint32_t call)
{
    const uint32_t sectors = session->nor.geometry.sectors;
    const stored_table_t *table = &session->context->table[name];
    if (call == 0) {
        call_start(session);
        return true;
    }
    if (call <= sectors + 1u) {
        if (call == 1u && !call_begin(session, name)) {
            return false;
        }
        store_result_t result = STORE_BUSY;
        for (uint32_t i = 0; i < PATIENCE && result == STORE_BUSY && session->store.erase_next < call; i++) {
            result = call_erase(session);
        }
        return session->store.erase_next == call && result != STORE_FAILED;
    }
    if (call <= sectors + 1u + session_writes(table)) {
        const uint32_t block = table->record.table_bytes > 2048u ? 8192u : BLOCK_BYTES;
        return call_write(session, name, (call - sectors - 2u) * block);
    }
    return call_commit(session, name) && false;
}

uint32_t session_calls(const context_t *context, uint32_t name)
{
    return geometry_of(context->geometry)->sectors + 3u + session_writes(&context->table[name]);
}

/* From a call on; true when the upload went to its end and is in use. */
static bool run_calls(session_t *session, uint32_t name, uint32_t from)
{
    const uint32_t calls = session_calls(session->context, name);
    bool goes_on = true;
    uint32_t call = from;
    const uint32_t allowed = session->may;
    for (; call < calls && goes_on && !session->nor.dead && !session->lost; call++) {
        goes_on = session_call(session, name, call);
        check_rules(session);
    }
    if (session->nor.dead) {
        session->may |= call == calls ? MAY(name) : 0; /* before the commit nothing of it may come up (INV-STORE-4) */
        return false;
    }
    const bool done = store_has_table(&session->store) && table_given_out(session) == name && call == calls;
    if (!done && (allowed & MAY_FAIL) == 0) {
        session_lose(session, "upload of %s: refused in call %u of %u by memory that works", table_names[name], call, calls);
    }
    return done;
}

bool session_start(session_t *session, const nor_cut_t *cut)
{
    nor_power_on(&session->nor, cut);
    call_start(session);
    return !session->nor.dead;
}

bool session_upload(session_t *session, uint32_t name)
{
    session_say(session, "  upload of %s\n", table_names[name]);
    return run_calls(session, name, 1);
}

bool session_run(session_t *session, uint32_t name, const nor_cut_t *cut, bool taken_up)
{
    const context_t *context = session->context;
    session_say(session, " power on%s\n", cut != NULL ? ", to be cut" : "");
    if (taken_up && cut != NULL && cut->operation <= context->operations && session->log == NULL) {
        const uint32_t call = context->call_of[cut->operation];
        const uint64_t seed = session->nor.seed;
        nor_copy(&session->nor, &session_taken[call].nor);
        session->nor.seed = seed;
        session->nor.cut = *cut;
        session->store = session_taken[call].store;
        session->store.config = &session->config;
        if (call > 0) {
            session->may = context->may_started;
            session->sequence = context->sequence_started;
        }
        (void)run_calls(session, name, call);
        return !session->nor.dead;
    }
    nor_power_on(&session->nor, cut);
    (void)run_calls(session, name, 0);
    return !session->nor.dead;
}

void session_judge(session_t *session)
{
    for (uint32_t i = 0; i < 3u && !session->lost; i++) {
        session_say(session, " power on\n");
        (void)session_start(session, NULL);
    }
    if (!session->lost && session_upload(session, TABLE_LAST)) {
        session_say(session, " power on\n");
        (void)session_start(session, NULL);
    }
    check_rules(session);
}

