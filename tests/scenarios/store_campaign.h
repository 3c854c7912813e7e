/* Families of store scenarios: numbered, each number a geometry, a history and what is done to it. */
#ifndef STORE_CAMPAIGN_H
#define STORE_CAMPAIGN_H
#include "store_session.h"

typedef struct {
    const char *code, *about;
    uint32_t chunk; /* numbers that take about a second */
    uint32_t (*total)(void);
    /* Plays the number; false: its fault did not come to pass. The verdict is in the session, its key in the model. */
    bool (*play)(session_t *session, uint32_t number);
} store_family_t;

extern const store_family_t family_cut, family_rec, family_nxt, family_tri;
extern const store_family_t family_bad, family_mix, family_rot, family_rots, family_busy, family_drv;

uint64_t campaign_seed(uint32_t family, uint32_t number);

/* A number, taken apart: digit below `base`, the rest stays. */
uint32_t campaign_digit(uint32_t *rest, uint32_t base);

/* Opens the session on that context, with a key that begins there. */
const context_t *campaign_open(session_t *session, uint32_t geometry, history_t history, uint64_t seed);

/* One of few ways to cut an operation whose size is not known before: amounts are fractions. */
#define SHORT_FORMS 24u
void campaign_short_form(nor_cut_t *cut, uint32_t operation, uint32_t form, uint64_t seed);

/* For Python. */
uint32_t campaign_families(void);
const char *campaign_code(uint32_t family);
const char *campaign_about(uint32_t family);
uint32_t campaign_total(uint32_t family);
uint32_t campaign_chunk(uint32_t family);
/* Plays numbers first, first + step ...; gives a key, and 0 empty, 1 kept, 2 lost for each. */
void campaign_run(uint32_t family, uint32_t first, uint32_t step, uint32_t count, uint64_t *keys, uint8_t *ends);
/* Plays one and tells about it: what it does, step by step, and why it is lost (empty: it is not). */
void campaign_tell(uint32_t family, uint32_t number, char *text, size_t text_bytes, char *why);

#endif
