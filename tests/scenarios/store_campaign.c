#include "store_campaign.h"

#include <string.h>

static const store_family_t *const families[] = {
    &family_cut, &family_rec, &family_nxt, &family_tri, &family_bad, &family_mix, &family_rot, &family_rots, &family_busy, &family_drv,
};
#define FAMILIES ((uint32_t)(sizeof families / sizeof families[0]))

static session_t session;

uint64_t campaign_seed(uint32_t family, uint32_t number)
{
    return nor_mix(nor_mix(0x53544F5245u, family), number);
}

uint32_t campaign_digit(uint32_t *rest, uint32_t base)
{
    const uint32_t above = *rest / base;
    const uint32_t digit = (*rest % base + above) % base; /* turned, so that every N-th number does not have one and the same digit */
    *rest = above;
    return digit;
}

const context_t *campaign_open(session_t *opened, uint32_t geometry, history_t history, uint64_t seed)
{
    const context_t *context = context_of(geometry, history);
    session_open(opened, context, seed);
    opened->nor.key = nor_mix(geometry, (uint64_t)history + 1u);
    session_say(opened, "%s, %s\n", geometry_name(geometry), history_name(history));
    return context;
}

uint32_t campaign_families(void)
{
    return FAMILIES;
}

const char *campaign_code(uint32_t family)
{
    return families[family]->code;
}

const char *campaign_about(uint32_t family)
{
    return families[family]->about;
}

uint32_t campaign_total(uint32_t family)
{
    return families[family]->total();
}

uint32_t campaign_chunk(uint32_t family)
{
    return families[family]->chunk;
}

void campaign_run(uint32_t family, uint32_t first, uint32_t step, uint32_t count, uint64_t *keys, uint8_t *ends)
{
    session.log = NULL;
    for (uint32_t i = 0; i < count; i++) {
        const bool happened = families[family]->play(&session, first + i * step);
        keys[i] = session.nor.key;
        ends[i] = session.lost ? 2u : happened ? 1u : 0;
    }
}

void campaign_tell(uint32_t family, uint32_t number, char *text, size_t text_bytes, char *why)
{
    text[0] = '\0';
    why[0] = '\0';
    session.log = text;
    session.log_bytes = text_bytes;
    (void)families[family]->play(&session, number);
    session.log = NULL;
    if (session.lost) {
        memcpy(why, session.why, WHY_BYTES);
    }
}
