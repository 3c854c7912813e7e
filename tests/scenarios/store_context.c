/* Flash as a history left it, and what one session without a fault does then. */
#include <string.h>

#include "crc.h"
#include "store_session_parts.h"

/*   slots               sector  sectors unit  bytes   erased twice reports */
static const nor_geometry_t geometry[GEOMETRIES] = {
    {{0, 1024}, 1024, 1, 8, 2048, 0xFF, 1, 0},
    {{0, 768}, 128, 6, 1, 1536, 0xFF, 1, 0},
    {{512, 2048}, 512, 2, 32, 3072, 0xFF, 1, 0},
    {{0, 768}, 256, 3, 4, 1536, 0x00, 1, 0},
    {{256, 1024}, 256, 2, 2, 1536, 0xFF, 1, 0},
    {{0, 512}, 512, 1, 16, 1024, 0x00, 1, 0},
    {{0, 4096}, 4096, 1, 4, 8192, 0xFF, 1, 0},
    {{0, 512}, 512, 1, 8, 1024, 0xFF, 0, 1},
    {{0, 768}, 256, 3, 16, 1536, 0xFF, 0, 1},
    {{1024, 2048}, 1024, 1, 32, 3072, 0xFF, 0, 1},
    {{0, 640}, 128, 5, 4, 1280, 0x00, 0, 1},
    {{0, 384}, 128, 3, 32, 768, 0x00, 1, 0},
    {{0, 16384}, 16384, 1, 8, 32768, 0xFF, 0, 1},
    {{0, 131072}, 131072, 1, 32, 262144, 0xFF, 1, 0},
};

static const char *const geometry_names[GEOMETRIES] = {
    "1024x1/8",        "128x6/1",         "512x2/32",        "256x3/4 zero",     "256x2/2",         "512x1/16 zero",  "4096x1/4",
    "512x1/8 once",    "256x3/16 once",   "1024x1/32 once",  "128x5/4 zero once", "128x3/32 zero",   "16384x1/8 once", "131072x1/32",
};
static const char *const history_names[HISTORY_CONFIRMED + 1] = {
    "first upload",  "over one", "over two", "after one broken off", "longest over two", "over a damaged one", "over something else",
    "after one unsettled", "over one, tables of a machine", "over two, the newer one confirmed",
};
static uint8_t table_bytes[TABLES][TABLE_BYTES_MAX];
static context_t kept;
static bool kept_any;

const char *geometry_name(uint32_t index)
{
    return geometry_names[index];
}

const nor_geometry_t *geometry_of(uint32_t index)
{
    return &geometry[index];
}

const char *history_name(history_t history)
{
    return history_names[history];
}

static const uint8_t *real_bytes[2]; /* OLD and NEW */
static uint32_t real_count[2];

void session_give_tables(const uint8_t *old, uint32_t old_bytes, const uint8_t *fresh, uint32_t fresh_bytes)
{
    real_bytes[0] = old;
    real_bytes[1] = fresh;
    real_count[0] = old_bytes;
    real_count[1] = fresh_bytes;
}

static void make_table(context_t *context, uint32_t name, uint32_t n)
{
    stored_table_t *table = &context->table[name];
    digest_t digest;
    const bool real = context->history == HISTORY_REAL && (name == TABLE_OLD || name == TABLE_NEW);
    n = real ? real_count[name - TABLE_OLD] : n;
    for (uint32_t i = 0; i < n; i++) {
        table_bytes[name][i] = real ? real_bytes[name - TABLE_OLD][i] : (uint8_t)nor_mix(name + 1u, i);
    }
    memset(&table->record, 0, sizeof table->record);
    table->bytes = table_bytes[name];
    table->record.table_bytes = n;
    table->record.table_crc = crc32_update(0, table->bytes, n);
    digest_start(&digest);
    digest_update(&digest, table->bytes, n);
    digest_finish(&digest, table->record.digest);
}

static void make_tables(context_t *context, const store_config_t *config)
{
    const uint32_t room = store_capacity(config);
    const uint32_t wanted[TABLES] = {173, 209, 131, 70, 101, 40};
    for (uint32_t name = 0; name < TABLES; name++) {
        make_table(context, name, wanted[name] < room ? wanted[name] : room);
    }
    if (context->history == HISTORY_LONGEST) {
        make_table(context, TABLE_NEW, room);
    }
}

static void break_off(session_t *session)
{
    nor_cut_t cut = {geometry[session->context->geometry].sectors + 3u, NOR_CUT_PREFIX, 20, 0, 0};
    (void)session_run(session, TABLE_NEXT, &cut, false);
}

/* A settled record that is cut, and takes no completing: a cell of it is set that its bytes leave erased. The start after it confirms. */
static void make_confirmed(session_t *session, const nor_geometry_t *flash)
{
    static nor_t before;
    const uint32_t settled = flash->slot[1] + flash->sector_bytes * flash->sectors - STORE_SETTLED_BYTES;
    const uint32_t may = session->may;
    nor_cut_t cut = {flash->sectors + 3u + 2u * session_writes(&session->context->table[TABLE_OLD]), NOR_CUT_PREFIX, 10, 0, 0};
    nor_copy(&before, &session->nor);
    do { /* a write may take one operation or two */
        nor_copy(&session->nor, &before);
        session->may = may;
        session->sequence = 1;
        (void)session_run(session, TABLE_OLD, &cut, false);
        cut.operation--;
    } while (cut.operation > 0 && (!session->nor.dead || session->nor.last_address != settled));
    if (flash->program_twice != 0) {
        nor_flip(&session->nor, settled + 4u, flash->erased != 0 ? 1u : 2u, 0);
    }
    session->may |= MAY(TABLE_OLD);
    (void)session_start(session, NULL);
}

static void make_history(session_t *session, context_t *context)
{
    const nor_geometry_t *flash = &geometry[context->geometry];
    const history_t history = context->history;
    session->may = MAY_NOTHING;
    if (history == HISTORY_FOREIGN) {
        for (uint32_t i = 0; i < flash->byte_count; i++) {
            nor_poke(&session->nor, i, 0x5Au);
        }
    }
    const bool one = history == HISTORY_ONE || history == HISTORY_UNSETTLED || history == HISTORY_REAL;
    if (!one && history != HISTORY_NONE && history != HISTORY_FOREIGN) {
        (void)session_run(session, TABLE_OLDER, NULL, false);
    }
    if (history == HISTORY_CONFIRMED) {
        make_confirmed(session, flash);
    } else if (history != HISTORY_NONE && history != HISTORY_FOREIGN) {
        (void)session_run(session, TABLE_OLD, NULL, false);
    }
    if (history == HISTORY_UNFINISHED) {
        break_off(session);
        session->may &= ~MAY(TABLE_NEXT);
    }
    if (history == HISTORY_DAMAGED) {
        nor_flip(&session->nor, flash->slot[1] + 30u, 0x10u, flash->reports);
        session->may = MAY_DAMAGED;
    }
    if (history == HISTORY_UNSETTLED) { /* the operation that is one before the last */
        static nor_t before;
        nor_cut_t cut = {flash->sectors + 2u + 2u * session_writes(&context->table[TABLE_NEXT]), NOR_CUT_AFTER, 0, 0, 0};
        nor_copy(&before, &session->nor);
        const uint32_t end = flash->slot[1] + flash->sector_bytes * flash->sectors;
        do { /* a write may take one operation or two */
            nor_copy(&session->nor, &before);
            session->may = MAY(TABLE_OLD);
            session->sequence = 1;
            (void)session_run(session, TABLE_NEXT, &cut, false);
            cut.operation--;
        } while (cut.operation > 0 && (!session->nor.dead || session->nor.last_address != end - STORE_COMMIT_BYTES - STORE_SETTLED_BYTES));
    }
    session->nor.happened = false;
    session->nor.key = 0;
}

/* One session without a fault: what its operations are, and the flash before each call. */
static void note_operations(session_t *session, context_t *context)
{
    nor_power_on(&session->nor, NULL);
    const uint32_t calls = session_calls(context, TABLE_NEW);
    context->calls = calls;
    for (uint32_t call = 0; call < calls && call < CALLS_MAX; call++) {
        nor_copy(&session_taken[call].nor, &session->nor);
        session_taken[call].store = session->store;
        const uint32_t done = session->nor.operations;
        if (call == 1u) {
            context->may_started = session->may;
            context->sequence_started = session->sequence;
        }
        (void)session_call(session, TABLE_NEW, call);
        for (uint32_t k = done + 1u; k <= session->nor.operations && k <= OPERATIONS_MAX; k++) {
            context->call_of[k] = call;
            context->operations = k;
        }
        context->recovery = call == 0 ? session->nor.operations : context->recovery;
    }
}

const context_t *context_of(uint32_t index, history_t history)
{
    static session_t session;
    if (kept_any && kept.geometry == index && kept.history == history) {
        return &kept;
    }
    memset(&session.store, 0, sizeof session.store);
    memset(&kept, 0, sizeof kept);
    kept_any = true;
    kept.geometry = index;
    kept.history = history;
    session_connect(&session, index);
    make_tables(&kept, &session.config);
    nor_blank(&session.nor, &geometry[index]);
    session.context = &kept;
    session.lost = false;
    session.was_faulty = false;
    session.sequence = 0;
    session.start_operations = START_OPERATIONS;
    core_assert_clear();
    make_history(&session, &kept);
    kept.may = session.may;
    kept.sequence = session.sequence;
    session_noting = &kept;
    note_operations(&session, &kept);
    session_noting = NULL;
    return &kept;
}

void session_open(session_t *session, const context_t *context, uint64_t seed)
{
    session_connect(session, context->geometry);
    core_assert_clear();
    session->context = context;
    session->lost = false;
    session->was_faulty = false;
    session->start_operations = START_OPERATIONS;
    session->log_at = 0;
    session->may = context->may;
    session->sequence = context->sequence;
    nor_copy(&session->nor, &session_taken[0].nor);
    session->nor.powers--; /* it was taken with the power on */
    nor_seed(&session->nor, seed);
}
