/* The unmodified store on the NOR model, from power on to power off, and the judge of what it does. */
#ifndef STORE_SESSION_H
#define STORE_SESSION_H
#include "nor.h"

#define GEOMETRIES 14u
#define CALLS_MAX 64u      /* start, begin, erases and header, writes, commit */
#define OPERATIONS_MAX 96u /* of one session */
#define TABLE_BYTES_MAX 131072u
#define WHY_BYTES 200u
#define START_OPERATIONS 3u /* INV-STORE-7: what store.h says of store_start */
#define START_OPERATIONS_FAULTY 8u

typedef enum {
    HISTORY_NONE = 0,   /* the first upload into empty flash */
    HISTORY_ONE,        /* over an old table */
    HISTORY_TWO,        /* both slots used */
    HISTORY_UNFINISHED, /* both slots used, then an upload that was broken off */
    HISTORY_LONGEST,    /* both slots used, the new table as long as can be */
    HISTORY_DAMAGED,    /* both slots used, then the one in use has rotted */
    HISTORY_FOREIGN,    /* flash full of something else */
    HISTORY_UNSETTLED,  /* one slot used, then an upload whose power went before its settled record */
    HISTORIES,
    HISTORY_REAL = HISTORIES, /* over one, with tables that a controller takes: session_give_tables */
    HISTORY_CONFIRMED         /* both slots used, the one in use by its verdict record: its settled record is torn for good */
} history_t;

typedef enum { TABLE_OLDER = 0, TABLE_OLD, TABLE_NEW, TABLE_NEXT, TABLE_AFTER, TABLE_LAST, TABLES, TABLE_NOTHING, TABLE_STRANGE } table_name_t;

#define MAY(name) (1u << (name))
#define MAY_NOTHING (1u << 8)
#define MAY_DAMAGED (1u << 9)
#define MAY_FAIL (1u << 10) /* the memory is faulty: an upload may be refused */

typedef struct {
    const uint8_t *bytes;
    store_record_t record;
} stored_table_t;

typedef struct {
    uint32_t geometry;
    history_t history;
    stored_table_t table[TABLES];
    uint32_t may, sequence;                 /* what a start may give, and the sequence in use, before the session */
    uint32_t may_started, sequence_started; /* the same after its start */
    uint32_t calls, operations, recovery; /* of start and upload of NEW; of the start alone */
    uint32_t call_of[OPERATIONS_MAX + 1u]; /* operation, from 1 */
    uint32_t changes[OPERATIONS_MAX + 1u]; /* bytes that it changes */
} context_t;

typedef struct {
    nor_t nor;
    store_t store;
    store_config_t config;
    const context_t *context;
    uint32_t may;      /* tables that the next start may give out */
    uint32_t sequence; /* that none may go below */
    uint32_t start_operations; /* that a start may take */
    bool was_faulty; /* the memory did not do an operation: a table in doubt may wait for a start that settles it */
    bool lost;
    char why[WHY_BYTES];
    char *log; /* NULL: none is kept */
    size_t log_bytes, log_at;
} session_t;

/* Bytes of two tables for HISTORY_REAL; they have to stay. */
void session_give_tables(const uint8_t *old, uint32_t old_bytes, const uint8_t *fresh, uint32_t fresh_bytes);

/* The context is kept until another one is asked for. */
const context_t *context_of(uint32_t geometry, history_t history);
const char *geometry_name(uint32_t geometry);
const nor_geometry_t *geometry_of(uint32_t geometry);
const char *history_name(history_t history);
const char *table_name(uint32_t name);

/* A session on the flash as the history left it, power off. */
void session_open(session_t *session, const context_t *context, uint64_t seed);

/* Power on, start and upload of the table, with a cut or none. From the history's flash the session may be taken up just before the
 * call in which the cut is (`taken_up`): what came before is the same every time. False once the power has gone. */
bool session_run(session_t *session, uint32_t name, const nor_cut_t *cut, bool taken_up);
/* Power on and start only. */
bool session_start(session_t *session, const nor_cut_t *cut);
/* Upload after a start; true when the store says that it is in use. */
bool session_upload(session_t *session, uint32_t name);

/* Three starts, an upload of LAST and one more start: everything that has to hold after any fault. */
void session_judge(session_t *session);
void session_lose(session_t *session, const char *format, ...);
void session_say(session_t *session, const char *format, ...);

#endif
