/* The power goes once, twice, three times. */
#include <stdio.h>

#include "store_campaign.h"

#define CONTEXTS (GEOMETRIES * HISTORIES)
#define LARGE_SECTOR 16384u /* from here on scenarios are dear, and there are fewer of each kind */
#define MANY 1024u         /* bytes of an operation that are cut at every byte; above, at so many places */
#define MANY_LARGE 32u

static const uint8_t drawn_forms[] = {NOR_CUT_BITS, NOR_CUT_HALF, NOR_CUT_MARGINAL, NOR_CUT_FAINT};
#define DRAWS (large ? 12u : 48u)
#define FIXED_FORMS (2u + NOR_DRAWS) /* before, after, unstable drawn in each way */

static bool large;  /* of the context whose forms are counted */

static uint32_t steps_of(uint32_t changes)
{
    const uint32_t many = large ? MANY_LARGE : MANY;
    return changes < many ? changes : many;
}

/* How many ways of cutting an operation that changes so many bytes. */
static uint32_t forms_of(uint32_t changes)
{
    return FIXED_FORMS + 3u * steps_of(changes) + DRAWS * (uint32_t)sizeof drawn_forms;
}

static void full_form(nor_cut_t *cut, uint32_t form, uint32_t changes, uint64_t seed)
{
    const uint32_t steps = steps_of(changes);
    const nor_cut_t fresh = {cut->operation, NOR_CUT_BEFORE, 0, 0, seed};
    *cut = fresh;
    if (form < FIXED_FORMS) {
        cut->how = form == 0 ? NOR_CUT_BEFORE : form == 1u ? NOR_CUT_AFTER : NOR_CUT_UNSTABLE;
        cut->per_start = form < 2u ? 0 : form - 2u;
        return;
    }
    form -= FIXED_FORMS;
    if (form < 3u * steps) {
        const uint32_t step = form % steps;
        cut->amount = changes == steps ? step : (uint32_t)((uint64_t)step * changes / steps);
        cut->how = form < steps ? NOR_CUT_PREFIX : form < 2u * steps ? NOR_CUT_SUFFIX : NOR_CUT_FRONT;
        cut->per_start = step % NOR_DRAWS;
        return;
    }
    form -= 3u * steps;
    cut->how = drawn_forms[form / DRAWS];
    cut->amount = form % DRAWS;
    cut->per_start = (form / 3u) % NOR_DRAWS;
}

void campaign_short_form(nor_cut_t *cut, uint32_t operation, uint32_t form, uint64_t seed)
{
    static const struct {
        uint8_t how, amount, per_start;
    } short_forms[SHORT_FORMS] = {
        {NOR_CUT_BEFORE, 0, 0},     {NOR_CUT_AFTER, 0, 0},     {NOR_CUT_UNSTABLE, 0, 0}, {NOR_CUT_UNSTABLE, 0, 1},
        {NOR_CUT_PREFIX, 1, 0},     {NOR_CUT_PREFIX, 64, 0},   {NOR_CUT_PREFIX, 128, 0}, {NOR_CUT_PREFIX, 192, 0},
        {NOR_CUT_PREFIX, 254, 0},   {NOR_CUT_SUFFIX, 20, 0},   {NOR_CUT_SUFFIX, 90, 0},  {NOR_CUT_SUFFIX, 230, 0},
        {NOR_CUT_FRONT, 0, 0},      {NOR_CUT_FRONT, 110, 1},   {NOR_CUT_FRONT, 240, 0},  {NOR_CUT_BITS, 0, 0},
        {NOR_CUT_BITS, 2, 0},       {NOR_CUT_HALF, 0, 0},      {NOR_CUT_MARGINAL, 0, 0}, {NOR_CUT_MARGINAL, 2, 1},
        {NOR_CUT_MARGINAL, 1, 0},   {NOR_CUT_FAINT, 0, 0},     {NOR_CUT_FAINT, 1, 1},    {NOR_CUT_FAINT, 2, 0},
    };
    const bool counted = short_forms[form].how == NOR_CUT_PREFIX || short_forms[form].how == NOR_CUT_SUFFIX ||
                         short_forms[form].how == NOR_CUT_FRONT;
    cut->operation = operation;
    cut->how = short_forms[form].how;
    cut->amount = short_forms[form].amount | (counted ? NOR_FRACTION : 0);
    cut->per_start = short_forms[form].per_start + ((nor_mix(seed, 5) & 1u) != 0 ? NOR_DRAW_TOGETHER : 0u); /* half of them move together */
    cut->seed = seed;
}

/* ---- where a number lies ---- */

typedef struct {
    bool large;
    uint32_t operations;
    uint32_t changes[OPERATIONS_MAX + 1u];
} place_t;

static place_t places[CONTEXTS];
static bool places_found;

static void find_places(void)
{
    for (uint32_t i = 0; i < CONTEXTS && !places_found; i++) {
        const context_t *context = context_of(i / HISTORIES, (history_t)(i % HISTORIES));
        places[i].large = geometry_of(i / HISTORIES)->sector_bytes >= LARGE_SECTOR;
        places[i].operations = context->operations;
        for (uint32_t k = 1; k <= context->operations; k++) {
            places[i].changes[k] = context->changes[k];
        }
    }
    places_found = true;
}

typedef uint32_t (*count_t)(const place_t *place);

static uint32_t total_of(count_t count)
{
    find_places();
    uint32_t total = 0;
    for (uint32_t i = 0; i < CONTEXTS; i++) {
        total += count(&places[i]);
    }
    return total;
}

/* The context that the number lies in; *number becomes its number there. */
static uint32_t locate(count_t count, uint32_t *number)
{
    find_places();
    uint32_t i = 0;
    while (*number >= count(&places[i])) {
        *number -= count(&places[i]);
        i++;
    }
    large = places[i].large;
    return i;
}

static void open_at(session_t *session, uint32_t i, uint64_t seed)
{
    (void)campaign_open(session, i / HISTORIES, (history_t)(i % HISTORIES), seed);
}

/* ---- one cut ---- */

static uint32_t cut_of(const place_t *place)
{
    uint32_t count = 0;
    large = place->large;
    for (uint32_t k = 1; k <= place->operations; k++) {
        count += forms_of(place->changes[k]);
    }
    return count;
}

static uint32_t total_cut(void)
{
    return total_of(cut_of);
}

static bool play_cut(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(1, number);
    const uint32_t i = locate(cut_of, &number);
    nor_cut_t cut = {1, 0, 0, 0, 0};
    while (number >= forms_of(places[i].changes[cut.operation])) {
        number -= forms_of(places[i].changes[cut.operation]);
        cut.operation++;
    }
    full_form(&cut, number, places[i].changes[cut.operation], seed);
    open_at(session, i, seed);
    (void)session_run(session, TABLE_NEW, &cut, true);
    if (!session->nor.happened) {
        return false;
    }
    session_judge(session);
    return true;
}

const store_family_t family_cut = {
    "cut", "one cut of an upload: every operation, every byte of it both ways, torn bits, cells that read at random", 4000,
    total_cut, play_cut,
};

/* ---- two cuts, the second one in the start that follows or in the upload after it ---- */

/* Plays both; false where one of them is never reached. */
static bool play_pair(session_t *session, const nor_cut_t *first, const nor_cut_t *second, bool start_only)
{
    (void)session_run(session, TABLE_NEW, first, true);
    if (!session->nor.happened) {
        return false;
    }
    session->nor.happened = false;
    if (start_only) {
        session_say(session, " power on, to be cut\n");
        (void)session_start(session, second);
    } else {
        (void)session_run(session, TABLE_NEXT, second, false);
    }
    if (!session->nor.happened) {
        return false;
    }
    session_judge(session);
    return true;
}

/* What a start does is one or two programs of end records, and only after a cut there. After a cut in the settled record the second
 * one, the settled record again, is where something changes; elsewhere it is the first. */
static uint32_t start_operation(const session_t *session, bool settled_cut, uint64_t draw)
{
    const bool second = session->nor.geometry.program_twice != 0 && ((draw & 3u) != 0) == settled_cut;
    return second ? 2u : 1u;
}

#define END_FORMS (FIXED_FORMS + 3u * STORE_SETTLED_BYTES + 48u * 4u)

/* Three blocks: settled record cut in every form, start in the short ones; the other way round; commit record, both short. */
static uint32_t rec_of(const place_t *place)
{
    const uint32_t shorts = SHORT_FORMS * SHORT_FORMS;
    return place->large ? 2u * shorts : 2u * END_FORMS * SHORT_FORMS + shorts;
}

static uint32_t total_rec(void)
{
    return total_of(rec_of);
}

static bool play_rec(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(2, number);
    const uint32_t i = locate(rec_of, &number);
    const uint32_t last = places[i].operations;
    const uint32_t block = places[i].large ? 0 : END_FORMS * SHORT_FORMS;
    nor_cut_t first = {last, 0, 0, 0, 0};
    nor_cut_t second = {1, 0, 0, 0, 0};
    if (number < 2u * block) {
        const bool whole_first = number < block;
        uint32_t rest = number % block;
        const uint32_t short_form = campaign_digit(&rest, SHORT_FORMS);
        full_form(whole_first ? &first : &second, rest, STORE_SETTLED_BYTES, seed);
        if (whole_first) {
            campaign_short_form(&second, 1, short_form, nor_mix(seed, 2));
        } else {
            campaign_short_form(&first, last, short_form, nor_mix(seed, 2));
        }
    } else {
        uint32_t rest = number - 2u * block;
        campaign_short_form(&second, 1, campaign_digit(&rest, SHORT_FORMS), nor_mix(seed, 2));
        campaign_short_form(&first, last - (places[i].large ? rest / SHORT_FORMS : 1u), rest % SHORT_FORMS, seed);
    }
    open_at(session, i, seed);
    second.operation = start_operation(session, first.operation == last, nor_mix(seed, 3));
    return play_pair(session, &first, &second, true);
}

const store_family_t family_rec = {
    "rec", "pairs: commit or settled record cut, then the start that follows, at every byte", 12000, total_rec, play_rec,
};

#define FOLLOWING 12u /* operations of start and upload of NEXT, at most */
#define FEW 10u
static const uint8_t few_forms[FEW] = {0, 1, 6, 10, 3, 15, 17, 19, 21, 22};

static uint32_t nxt_of(const place_t *place)
{
    return place->operations * FEW * FOLLOWING * (place->large ? 1u : FEW);
}

static uint32_t total_nxt(void)
{
    return total_of(nxt_of);
}

static bool play_nxt(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(3, number);
    const uint32_t i = locate(nxt_of, &number);
    const uint32_t second_form = places[i].large ? (uint32_t)(seed % FEW) : campaign_digit(&number, FEW);
    const uint32_t second_operation = 1u + campaign_digit(&number, FOLLOWING);
    const uint32_t first_form = campaign_digit(&number, FEW);
    nor_cut_t first;
    nor_cut_t second;
    campaign_short_form(&first, number + 1u, few_forms[first_form], seed);
    campaign_short_form(&second, second_operation, few_forms[second_form], nor_mix(seed, 2));
    open_at(session, i, seed);
    return play_pair(session, &first, &second, false);
}

const store_family_t family_nxt = {
    "nxt", "pairs: every operation of an upload cut, then every operation of the next start and upload", 12000, total_nxt, play_nxt,
};

/* ---- three cuts, all drawn ---- */

static uint32_t tri_of(const place_t *place)
{
    return place->large ? 200u : 2500u;
}

static uint32_t total_tri(void)
{
    return total_of(tri_of);
}

static bool play_tri(session_t *session, uint32_t number)
{
    static const uint32_t upload_of[3] = {TABLE_NEW, TABLE_NEXT, TABLE_AFTER};
    const uint64_t seed = campaign_seed(4, number);
    const uint32_t i = locate(tri_of, &number);
    open_at(session, i, seed);
    for (uint32_t k = 0; k < 3u; k++) {
        const uint64_t draw = nor_mix(seed, 10u + k);
        /* The first one now and then in the end records, the others then in the start's own operation. */
        const uint32_t operations = k == 0 ? places[i].operations : FOLLOWING - 3u;
        const uint32_t drawn = 1u + (uint32_t)((draw >> 8) % operations);
        const uint32_t at = (seed & 1u) == 0 ? drawn : k == 0 ? operations - (uint32_t)(draw >> 9) % 2u : (draw & 2u) != 0 ? 1u : drawn;
        nor_cut_t cut;
        campaign_short_form(&cut, at, (uint32_t)(draw >> 40) % SHORT_FORMS, draw);
        session->nor.happened = false;
        (void)session_run(session, upload_of[k], &cut, k == 0);
        if (!session->nor.happened) {
            return false;
        }
    }
    session_judge(session);
    return true;
}

const store_family_t family_tri = {
    "tri", "three cuts, in an upload, in the next start or upload, and in the one after; drawn", 12000, total_tri, play_tri,
};
