/* The whole controller in one structure: table, law, store and link. The platform gives it time, inputs and bytes, and takes outputs
 * and bytes; nothing else.
 *
 * INV-CTRL-1  Without a valid table for this machine every output is zero and the enable output is off; the link still answers.
 * INV-CTRL-2  All state is in controller_t: a start on any bytes is a start (tests fill it with 0xA5 first).
 * INV-CTRL-3  Outputs come from law_step alone; after a new table it starts anew, in powering_up.
 * INV-CTRL-4  What was checked for a transfer and refused leaves the table in use as it was.
 */
#ifndef CONTROLLER_H
#define CONTROLLER_H
#include "law.h"
#include "link.h"
#include "store.h"

typedef struct {
    store_config_t store;
    uint8_t machine_id[TABLE_MACHINE_ID_BYTES]; /* of this hardware: ASCII, zero padded */
    const char *firmware;                       /* version or source digest, zero-ended */
    void *context;                              /* for transmit */
    size_t (*transmit)(void *context, const uint8_t *bytes, size_t n); /* takes what it can without waiting, returns how many */
} controller_config_t;

typedef struct {
    const controller_config_t *config;
    table_t table;
    link_table_t table_state; /* LINK_TABLE_IN_USE: `table` is valid and for this machine */
    table_fault_t load_fault; /* why a stored table was not taken */
    law_state_t law;
    store_t store;
    link_t link;
    link_facts_t facts; /* of the last tick, for the answers; key off before the first */
} controller_t;

/* Loads the table from the store. Always leaves a controller that ticks and answers; returns what was found. `config` is kept. */
link_table_t controller_start(controller_t *controller, const controller_config_t *config);

/* One tick of the law. Every tick_us of the table; without a table at any rate. Takes no flash operation. */
void controller_tick(controller_t *controller, const law_in_t *in, law_out_t *out);

/* Bytes from the serial line; returns how many were taken, offer the rest again. Between ticks, from the same thread. */
size_t controller_receive(controller_t *controller, const uint8_t *bytes, size_t n);

/* As often as can be, between ticks. now_ms is any clock that counts milliseconds and may wrap. */
void controller_poll(controller_t *controller, uint32_t now_ms);

#endif
