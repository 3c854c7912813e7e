/* Two slots of flash that keep the table through power cuts.
 *
 * INV-STORE-1  After a power cut at any moment the next start finds the table from before or the new one, whole; never a mixture,
 *              never none where there was one.
 * INV-STORE-2  Once a start, or store_commit, has given out a record, no later start gives out an older one, whatever is cut.
 * INV-STORE-3  The slot in use is never erased and never programmed, but for its own end records: one that was cut is written
 *              again with the same bytes, or a fresh one is written.
 * INV-STORE-4  The commit record is programmed only after header and table were read back and found right.
 * INV-STORE-5  A newer record that was once settled and has rotted is not replaced by an older one: there is no table then, and
 *              nothing moves until a table is uploaded.
 * INV-STORE-6  Bytes from flash are never trusted: every record stands under its own CRC, and nothing is read outside a slot.
 * INV-STORE-7  No call takes more flash operations than its comment says. A start erases nothing.
 *
 * A slot is: header (64 bytes) | table | ... | verdict record (32) | commit record (32) | settled record (32, the slot's last bytes).
 * The bytes are in firmware_stub/README.md, "The store".
 *
 * An upload programs header, table, commit record and settled record, each read back before the next. A record that was cut may read
 * differently each time, whole at one start and blank at the next. So a start that finds a whole table and a commit record, but no
 * whole settled one, programs commit and then settled record again (or, where that cannot be, confirms them in the verdict record)
 * before it gives the new table out; one that finds a whole table and no whole commit record cancels the upload in the verdict record
 * before it gives the old table out. A settled record is only ever begun behind a commit record that is certain: however it reads, the
 * table is taken. An upload that was cancelled has no whole commit record, so that what an erase leaves of it stays dead.
 */
#ifndef STORE_H
#define STORE_H
#include "core.h"
#include "digest.h"

#define STORE_SLOTS 2
#define STORE_HEADER_BYTES 64u
#define STORE_COMMIT_BYTES 32u
#define STORE_SETTLED_BYTES 32u
#define STORE_VERDICT_BYTES 32u
#define STORE_UNIT_MAX 32u

typedef enum {
    STORE_OK = 0,
    STORE_BUSY,     /* an erase that goes on: ask again */
    STORE_FAILED,   /* the memory did not do it, or not as read back */
    STORE_NONE,     /* no table is there */
    STORE_DAMAGED,  /* the newest table has rotted (INV-STORE-5) */
    STORE_TOO_LONG, /* does not fit the slot */
    STORE_MISUSE    /* wrong geometry, wrong offset, or no record is being written */
} store_result_t;

/* The memory. What each callback may assume, and what it owes, after a power cut:
 *   read     any bytes may be torn: half programmed, half erased, or different on each read. A callback whose memory can tell (an error
 *            code that does not correct) returns STORE_FAILED; the store then takes those bytes as not valid. It must not stop the
 *            controller (an error trap on a torn unit has to be caught here). Where `program_twice` is false this is a demand, not a
 *            choice: it has to return STORE_FAILED for every unit that was torn, at every read until the sector is erased. What reads
 *            whole once and blank later cannot be made certain there, and the version could go back. A memory that cannot promise
 *            that must not be used: take one that is programmed twice, an external one, or a byte-wise one behind callbacks of your own.
 *   program  gets whole write units, aligned. The units are erased, but for one case: an end record is programmed again with the
 *            same bytes where an earlier program of it may have been cut; on NOR this completes the cells. `program_twice` says
 *            that the memory takes that. Where it is false (an error code over each unit), the verdict record, still blank, is
 *            written instead. A unit that the call has finished stays finished.
 *   erase    erases the sector that starts at the address; a cut leaves any mixture. Serves the watchdog if it waits, or returns
 *            STORE_BUSY and is asked again with the same address until it returns something else. Never called by a start.
 * All return STORE_OK or STORE_FAILED. None is ever called from the control law's tick. */
typedef struct {
    void *context;
    store_result_t (*read)(void *context, uint32_t address, uint8_t *bytes, uint32_t n);
    store_result_t (*program)(void *context, uint32_t address, const uint8_t *bytes, uint32_t n);
    store_result_t (*erase)(void *context, uint32_t address);
    const uint8_t *(*map)(void *context, uint32_t address); /* where flash can be read in place; else NULL, and `work` is used */
    uint8_t *work;                                          /* at least the longest table to be taken; unused with `map` */
    uint32_t work_bytes;
    uint32_t slot_address[STORE_SLOTS]; /* each the start of a sector; the slots share none */
    uint32_t sector_bytes;
    uint32_t sectors; /* in a slot */
    uint32_t unit;    /* write unit: 1, 2, 4, 8, 16 or 32 bytes */
    uint8_t erased;   /* what an erased byte reads as */
    bool program_twice;
} store_config_t;

typedef struct {
    uint32_t sequence; /* one more with every upload; from 1 */
    uint32_t table_bytes;
    uint32_t table_crc;
    uint8_t digest[DIGEST_BYTES];
    uint32_t header_crc; /* ties commit and settled record to this header */
} store_record_t;

typedef enum { STORE_PART_BLANK = 0, STORE_PART_BAD, STORE_PART_GOOD, STORE_PARTS } store_part_t;
typedef enum {
    STORE_VERDICT_BLANK = 0,
    STORE_VERDICT_BAD,
    STORE_VERDICT_CONFIRMED,
    STORE_VERDICT_CANCELLED,
    STORE_VERDICTS
} store_verdict_t;

typedef struct { /* what is read in a slot */
    store_part_t header, commit, settled;
    store_verdict_t verdict;
    bool whole; /* length, CRC and digest of the table are those of a good header */
} store_facts_t;

typedef enum { /* what a slot is, made of its facts by store_class */
    STORE_SLOT_BLANK = 0,  /* nothing begun */
    STORE_SLOT_RUBBISH,    /* no header, but not blank either */
    STORE_SLOT_UNFINISHED, /* an upload that was never committed, or was cancelled */
    STORE_SLOT_OPEN,       /* whole; its commit record, or a verdict, may have been cut: to be cancelled */
    STORE_SLOT_DOUBT,      /* whole, commit record reads good, but not the settled one: both to be made certain */
    STORE_SLOT_SETTLED,    /* whole, committed for certain */
    STORE_SLOT_DAMAGED,    /* was settled once, is not whole any more */
    STORE_SLOT_CLASSES
} store_class_t;

typedef enum { STORE_0_NEWER = 0, STORE_1_NEWER, STORE_SAME_AGE, STORE_ORDERS } store_order_t;
typedef enum { STORE_TAKE_0 = 0, STORE_TAKE_1, STORE_TAKE_NONE, STORE_TAKE_DAMAGED } store_choice_t;

typedef struct {
    const store_config_t *config;
    store_class_t slot_class[STORE_SLOTS];
    store_record_t record[STORE_SLOTS];
    store_choice_t choice;
    bool writing;         /* a record is being made in `target` */
    uint32_t target;      /* slot */
    uint32_t erase_next;  /* sector; one past the last: the header; two past: all is done */
    store_record_t fresh; /* what is being written */
} store_t;

/* The two decisions, as tables in store_choice.c. `*_rows` give the number of rows that fit: 1 for every combination. */
store_class_t store_class(const store_facts_t *facts);
uint32_t store_class_rows(const store_facts_t *facts);
store_choice_t store_choose(store_class_t slot_0, store_class_t slot_1, store_order_t order);
uint32_t store_choose_rows(store_class_t slot_0, store_class_t slot_1, store_order_t order);

/* Looks at both slots and chooses. No operation where nothing was cut; one for an upload to be cancelled and two for a table in
 * doubt (commit and settled record; one of settled and verdict where `program_twice` is false), three where the slots are one of each.
 * Where the memory does not do them at first: two for each upload to be cancelled and six for a table in doubt, eight in all. STORE_OK,
 * STORE_NONE, STORE_DAMAGED (also where a table in doubt could not be settled: the next start tries again), or STORE_MISUSE for a wrong
 * geometry. */
store_result_t store_start(store_t *store, const store_config_t *config);

uint32_t store_capacity(const store_config_t *config); /* longest table in bytes */
bool store_has_table(const store_t *store);
const store_record_t *store_record(const store_t *store); /* in use; only when store_has_table */

/* Reads of the table in use (`fresh` false) or of the one being written. */
store_result_t store_read(store_t *store, bool fresh, uint32_t offset, uint8_t *bytes, uint32_t n);
store_result_t store_view(store_t *store, bool fresh, const uint8_t **bytes);

/* Starts a record in the slot not in use; length, CRC and digest come from *record. No operation. */
store_result_t store_begin(store_t *store, const store_record_t *record);
/* One operation: a sector, which has to read as erased then; at last the header. STORE_BUSY until all is done. */
store_result_t store_erase_step(store_t *store);
store_result_t store_write(store_t *store, uint32_t offset, const uint8_t *bytes, uint32_t n); /* at most two operations */
/* Verifies, then commits and settles. STORE_OK: the new record is in use from now on, for ever. Anything else: the old one is, and the
 * new one is cancelled, if the memory still does that (if not, it may come up at the next start and then stays). Two
 * operations; at most six where the memory does not do them. */
store_result_t store_commit(store_t *store);
void store_abandon(store_t *store); /* no operation; what was begun is cleaned up by the next begin or start */

#endif
