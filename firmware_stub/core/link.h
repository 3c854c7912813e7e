/* What the controller answers on the serial line. Every message, byte by byte: firmware_stub/README.md, "The link".
 *
 * INV-LINK-1  No message moves anything, sets a sensor count, or changes a state of the law; the only thing that a message can change
 *             is the stored table.
 * INV-LINK-2  A table is taken only at standstill with the service key on, from begin to commit; else the transfer is dropped.
 * INV-LINK-3  A table goes into use only after the controller itself found length, CRC, digest, structure, ranges and machine id
 *             right, on the bytes read back from its own flash.
 * INV-LINK-4  Every question gets at most one answer of bounded length; nothing waits: while an answer does not go out, no further
 *             question is taken.
 * INV-LINK-5  Every question may be asked again: repeated, it does no second thing and gets the same answer.
 * INV-LINK-6  A transfer that nobody goes on with is dropped at a deadline.
 */
#ifndef LINK_H
#define LINK_H
#include "frame.h"
#include "store.h"
#include "table.h"

#define LINK_ANSWER 128u          /* kind of an answer: that of the question + 128 */
#define LINK_BLOCK_BYTES_MAX 352u /* the answer to a read with so many fills a frame */
#define LINK_BLOCKS_MAX 256u
#define LINK_WINDOW 16u           /* questions that may be on their way without an answer */
#define LINK_IDLE_MS 5000u        /* between two messages of a transfer */
#define LINK_TOTAL_MS 120000u     /* from begin to finish */
#define LINK_CONFIRM_MS 600000u   /* from finish to commit: a person reads the values that were sent back */
#define LINK_FIRMWARE_BYTES 16u

typedef enum {
    LINK_IDENTIFY = 1,
    LINK_STATUS,
    LINK_BEGIN,
    LINK_BLOCK,
    LINK_FINISH,
    LINK_COMMIT,
    LINK_READ,
    LINK_ABORT
} link_kind_t;

typedef enum { /* first byte of every answer */
    LINK_OK = 0,
    LINK_WAIT,            /* goes on in the controller: ask again */
    LINK_UNKNOWN_KIND,
    LINK_OTHER_PROTOCOL,  /* the answer's frame says which protocol this is */
    LINK_BAD_LENGTH,      /* of the message */
    LINK_KEY_OFF,
    LINK_MOVING,          /* not at standstill */
    LINK_TOO_LONG,        /* the table, for this controller */
    LINK_BAD_BLOCK,       /* size, number or length of a block */
    LINK_NO_TRANSFER,     /* none is open, or another one; `field` says why the last one was dropped, link_dropped_t */
    LINK_INCOMPLETE,      /* `field` is the first block that is missing */
    LINK_WRONG_CRC,
    LINK_WRONG_DIGEST,
    LINK_TABLE_REFUSED,   /* `detail` table_result_t, `section` and `field` as in table_fault_t */
    LINK_STORE_FAILED,    /* `detail` store_result_t */
    LINK_NO_TABLE,
    LINK_OTHER_RECORD,    /* the record in use is not the one that was asked for */
    LINK_RESULTS
} link_result_t;

typedef enum {
    LINK_DROPPED_NOT = 0,
    LINK_DROPPED_KEY,
    LINK_DROPPED_MOVING,
    LINK_DROPPED_DEADLINE,
    LINK_DROPPED_STORE,
    LINK_DROPPED_REFUSED, /* by finish */
    LINK_DROPPED_ABORT,
    LINK_DROPPED_DONE     /* committed */
} link_dropped_t;

typedef enum { LINK_TRANSFER_NONE = 0, LINK_TRANSFER_ERASING, LINK_TRANSFER_BLOCKS, LINK_TRANSFER_CHECKED } link_phase_t;

typedef enum { LINK_TABLE_NONE = 0, LINK_TABLE_IN_USE, LINK_TABLE_DAMAGED, LINK_TABLE_NOT_TAKEN } link_table_t;

typedef struct { /* of this moment, for the answers */
    bool standstill, key, enable;
    uint8_t state, cause, cause_joint, waits_for, waits_joint; /* as law_out_t has them */
    link_table_t table;
    uint16_t revision;
    uint32_t ticks;
} link_facts_t;

typedef struct { /* whom the link belongs to */
    void *owner;
    const uint8_t *machine_id; /* TABLE_MACHINE_ID_BYTES */
    const char *firmware;      /* version or source digest, zero-ended; the first LINK_FIRMWARE_BYTES are told */
    void (*facts)(void *owner, link_facts_t *facts);
    table_fault_t (*check_table)(void *owner, const uint8_t *bytes, size_t n); /* structure, ranges, machine id */
    void (*take_table)(void *owner);                                          /* the store has a new one */
    size_t (*transmit)(void *owner, const uint8_t *bytes, size_t n);          /* takes what it can now, returns how many */
} link_owner_t;

typedef struct {
    link_phase_t phase;
    uint32_t id;
    uint32_t block_bytes, block_count;
    uint8_t have[LINK_BLOCKS_MAX / 8u]; /* a bit for every block that is in flash */
    uint32_t started_ms, last_ms;
    link_dropped_t dropped;
    uint32_t committed_id; /* the last one that was committed, for a commit that is asked again; 0 none */
} link_transfer_t;

typedef struct {
    link_owner_t owner;
    store_t *store;
    frame_receiver_t receiver;
    link_transfer_t transfer;
    uint32_t now_ms;
    uint8_t out[FRAME_ENCODED_MAX];
    size_t out_count, out_sent;
} link_t;

void link_start(link_t *link, store_t *store, const link_owner_t *owner);

/* Takes bytes from the line; returns how many: fewer than n while an answer waits to go out. The rest must be offered again. */
size_t link_receive(link_t *link, const uint8_t *bytes, size_t n);

/* Sends what waits, goes on with an erase (one operation), drops a transfer at its deadline or when key or standstill are gone. */
void link_poll(link_t *link, uint32_t now_ms);

#endif
