/* What session and context share. */
#ifndef STORE_SESSION_PARTS_H
#define STORE_SESSION_PARTS_H
#include "store_session.h"

typedef struct { /* before a call of the session without a fault */
    nor_t nor;
    store_t store;
} taken_t;

extern taken_t session_taken[CALLS_MAX];  /* of the context that is kept */
extern context_t *session_noting;         /* where the operations go down, while they do */

void session_connect(session_t *session, uint32_t geometry);
uint32_t session_writes(const stored_table_t *table);
uint32_t session_calls(const context_t *context, uint32_t name);
/* Calls are: 0 start, then begin with the first erase step, erase steps, writes, commit. False: the upload has ended. */
bool session_call(session_t *session, uint32_t name, uint32_t call);

#endif
