/* Memory that fails, lies, rots or takes its time, by itself and with the power going as well. */
#include "store_campaign.h"

#define CONTEXTS (GEOMETRIES * HISTORIES)
#define LARGE_SECTOR 16384u
#define STUCK_DRAWS 40u
#define PLAIN_FAULTS 4u /* fails, fails but done, fails partly done, silent */
#define FAULT_FORMS (2u * (PLAIN_FAULTS + STUCK_DRAWS))
#define FAULT_KINDS 10u /* five, once and lasting */

static uint32_t operations_of[CONTEXTS];

static uint32_t operations_in(uint32_t i)
{
    if (operations_of[i] == 0) {
        operations_of[i] = context_of(i / HISTORIES, (history_t)(i % HISTORIES))->operations;
    }
    return operations_of[i];
}

static bool is_large(uint32_t i)
{
    return geometry_of(i / HISTORIES)->sector_bytes >= LARGE_SECTOR;
}

typedef uint32_t (*count_t)(uint32_t i);

static uint32_t total_of(count_t count)
{
    uint32_t total = 0;
    for (uint32_t i = 0; i < CONTEXTS; i++) {
        total += count(i);
    }
    return total;
}

static uint32_t locate(count_t count, uint32_t *number)
{
    uint32_t i = 0;
    while (*number >= count(i)) {
        *number -= count(i);
        i++;
    }
    return i;
}

static void open_at(session_t *session, uint32_t i, uint64_t seed)
{
    (void)campaign_open(session, i / HISTORIES, (history_t)(i % HISTORIES), seed);
}

/* ---- a faulty operation ---- */

static void make_faulty(session_t *session, const nor_fault_t *fault)
{
    static const char *const names[NOR_FAULTS] = {
        "works", "fails", "fails and has done it", "fails and has done half", "does nothing and says it did", "leaves a cell",
    };
    session->may |= MAY_FAIL;
    session->was_faulty = true;
    session->start_operations = START_OPERATIONS_FAULTY;
    nor_set_fault(&session->nor, fault);
    session_say(session, "operation %u from here%s %s\n", fault->operation, fault->lasting != 0 ? " and all after it" : "", names[fault->how]);
}

/* Faults that last could spoil the cancelling too: the new table may then come up at the next start, the old one never after it. */
static void make_sound(session_t *session, const nor_fault_t *fault, uint32_t name, bool was_committing)
{
    nor_set_fault(&session->nor, NULL);
    if (fault->lasting != 0 && was_committing) {
        session->may |= MAY(name);
    }
    session->may &= ~MAY_FAIL;
    session->start_operations = START_OPERATIONS;
}

static bool is_committing(const session_t *session)
{
    const nor_t *nor = &session->nor;
    for (uint32_t slot = 0; slot < STORE_SLOTS; slot++) {
        const uint32_t end = nor->geometry.slot[slot] + nor->geometry.sector_bytes * nor->geometry.sectors;
        if (!nor->last_erases && nor->last_address < end && end - nor->last_address <= 96u) {
            return true;
        }
    }
    return false;
}

static uint32_t bad_of(uint32_t i)
{
    return operations_in(i) * (is_large(i) ? FAULT_KINDS : FAULT_FORMS);
}

static uint32_t total_bad(void)
{
    return total_of(bad_of);
}

static bool play_bad(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(5, number);
    const uint32_t i = locate(bad_of, &number);
    nor_fault_t fault = {0, 0, 0, seed};
    fault.lasting = campaign_digit(&number, 2);
    const uint32_t form = campaign_digit(&number, is_large(i) ? FAULT_KINDS / 2u : FAULT_FORMS / 2u);
    fault.how = form < PLAIN_FAULTS ? NOR_FAULT_FAILS + form : NOR_FAULT_STUCK;
    fault.operation = number + 1u;
    open_at(session, i, seed);
    make_faulty(session, &fault);
    (void)session_run(session, TABLE_NEW, NULL, false);
    if (!session->nor.happened) {
        return false;
    }
    make_sound(session, &fault, TABLE_NEW, is_committing(session));
    session_judge(session);
    return true;
}

const store_family_t family_bad = {
    "bad", "one operation, or all from it on, fails, is done all the same, done by half, not done and not told, or leaves a cell",
    12000, total_bad, play_bad,
};

/* ---- a faulty operation and a cut ---- */

#define LATER 3u
#define MIX_FORMS 12u /* every second short form */

static uint32_t mix_of(uint32_t i)
{
    const uint32_t forms = is_large(i) ? 2u : MIX_FORMS;
    return operations_in(i) * FAULT_KINDS * LATER * forms * 2u;
}

static uint32_t total_mix(void)
{
    return total_of(mix_of);
}

static bool play_mix(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(6, number);
    const uint32_t i = locate(mix_of, &number);
    const uint32_t form = campaign_digit(&number, is_large(i) ? 2u : MIX_FORMS) * 2u + (uint32_t)(seed & 1u);
    const uint32_t later = campaign_digit(&number, LATER) + 1u;
    nor_fault_t fault = {0, 0, 0, seed};
    fault.lasting = campaign_digit(&number, 2);
    fault.how = NOR_FAULT_FAILS + campaign_digit(&number, 5);
    const bool cut_first = campaign_digit(&number, 2) != 0;
    const uint32_t operation = number + 1u;
    nor_cut_t cut;
    open_at(session, i, seed);
    bool happened;
    if (cut_first) { /* the memory is faulty in the start and upload that follow */
        campaign_short_form(&cut, operation, form, seed);
        fault.operation = later;
        (void)session_run(session, TABLE_NEW, &cut, true);
        happened = session->nor.happened;
        session->nor.happened = false;
        if (!happened) {
            return false;
        }
        make_faulty(session, &fault);
        (void)session_run(session, TABLE_NEXT, NULL, false);
        happened = session->nor.happened && !session->nor.unseen;
        make_sound(session, &fault, TABLE_NEXT, is_committing(session));
    } else { /* the power goes soon after */
        campaign_short_form(&cut, operation + later, form, seed);
        fault.operation = operation;
        make_faulty(session, &fault);
        (void)session_run(session, TABLE_NEW, &cut, false);
        happened = session->nor.dead;
        make_sound(session, &fault, TABLE_NEW, is_committing(session));
    }
    if (happened) {
        session_judge(session);
    }
    return happened;
}

const store_family_t family_mix = {
    "mix", "a faulty operation and then a cut, or a cut and then a faulty operation in the start or upload that follows", 12000,
    total_mix, play_mix,
};

/* ---- rot ---- */

#define FLIPS 9u /* each bit, and all of them */
#define ROT_HISTORIES 4u
#define ROTS_HISTORIES 3u
static const history_t rot_history[ROT_HISTORIES] = {HISTORY_ONE, HISTORY_TWO, HISTORY_UNFINISHED, HISTORY_CONFIRMED};

static uint32_t rot_bytes(uint32_t g)
{
    const nor_geometry_t *flash = geometry_of(g);
    const uint32_t n = flash->sector_bytes * flash->sectors;
    return n > 2048u ? 640u : n; /* of a longer slot its first and its last 320 */
}

/* Of the slot in use: what a byte is good for. */
static bool is_needed(const context_t *context, uint32_t slot, uint32_t offset)
{
    const uint32_t in_use = context->history == HISTORY_ONE ? 0 : 1u;
    const nor_geometry_t *flash = geometry_of(context->geometry);
    uint32_t n = STORE_HEADER_BYTES + context->table[TABLE_OLD].record.table_bytes;
    if (flash->reports != 0) {
        n = (n + flash->unit - 1u) / flash->unit * flash->unit;
    }
    return slot == in_use && offset < n;
}

static void spoil(session_t *session, uint32_t slot, uint32_t offset, uint32_t bits)
{
    const nor_geometry_t *flash = &session->nor.geometry;
    session_say(session, "byte %u of slot %u rots, bits %02x\n", offset, slot, bits);
    nor_flip(&session->nor, flash->slot[slot] + offset, bits, flash->reports);
    if (is_needed(session->context, slot, offset)) {
        session->may = MAY_DAMAGED;
    }
}

static uint32_t total_rot(void)
{
    uint32_t total = 0;
    for (uint32_t g = 0; g < GEOMETRIES; g++) {
        total += ROT_HISTORIES * STORE_SLOTS * rot_bytes(g) * FLIPS;
    }
    return total;
}

static bool play_rot(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(7, number);
    uint32_t g = 0;
    while (number >= ROT_HISTORIES * STORE_SLOTS * rot_bytes(g) * FLIPS) {
        number -= ROT_HISTORIES * STORE_SLOTS * rot_bytes(g) * FLIPS;
        g++;
    }
    const nor_geometry_t *flash = geometry_of(g);
    const uint32_t n = flash->sector_bytes * flash->sectors;
    const uint32_t flip = campaign_digit(&number, FLIPS);
    uint32_t offset = campaign_digit(&number, rot_bytes(g));
    const uint32_t slot = campaign_digit(&number, STORE_SLOTS);
    offset = offset < rot_bytes(g) / 2u ? offset : n - rot_bytes(g) + offset;
    (void)campaign_open(session, g, rot_history[number], seed);
    spoil(session, slot, offset, flip < 8u ? 1u << flip : 0xFFu);
    if (session->context->history == HISTORY_CONFIRMED && flash->reports != 0 && slot == 1u && offset >= n - 96u && offset < n - 64u) {
        /* Beside the torn settled record the verdict, too, that an error code cannot make good: told, an older table may come. */
        session->may |= MAY_DAMAGED | MAY_NOTHING | MAY(TABLE_OLDER);
        session->sequence = 0;
    }
    session_judge(session);
    return true;
}

const store_family_t family_rot = {
    "rot", "every byte of both slots rots, each bit and all of them, in use or not", 20000, total_rot, play_rot,
};

#define ROT_PAIRS 3000u
#define REGIONS 6u /* header, table, unused, verdict, commit, settled */

static uint32_t total_rots(void)
{
    return GEOMETRIES * ROTS_HISTORIES * ROT_PAIRS;
}

static uint32_t draw_offset(const context_t *context, uint32_t region, uint64_t draw)
{
    const nor_geometry_t *flash = geometry_of(context->geometry);
    const uint32_t end = flash->sector_bytes * flash->sectors;
    const uint32_t table = context->table[TABLE_OLD].record.table_bytes;
    const uint32_t from[REGIONS + 1u] = {0, STORE_HEADER_BYTES, STORE_HEADER_BYTES + table, end - 96u, end - 64u, end - 32u, end};
    const uint32_t n = from[region + 1u] - from[region];
    return n == 0 ? 0 : from[region] + (uint32_t)(draw % n);
}

static bool play_rots(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(8, number);
    const uint32_t c = number / ROT_PAIRS;
    const context_t *context = campaign_open(session, c / ROTS_HISTORIES, rot_history[c % ROTS_HISTORIES], seed);
    bool settled = false;
    bool other = false;
    uint32_t first = 0;
    for (uint32_t k = 0; k < 2u; k++) {
        const uint64_t draw = nor_mix(seed, k);
        const uint32_t region = (uint32_t)(draw >> 40) % REGIONS;
        const uint32_t slot = (uint32_t)(draw >> 36) % STORE_SLOTS;
        const uint32_t offset = draw_offset(context, region, draw >> 4);
        const bool in_use = slot == (context->history == HISTORY_ONE ? 0 : 1u);
        settled = settled || (in_use && region == REGIONS - 1u);
        other = other || (in_use && region != REGIONS - 1u && region != 2u) || is_needed(context, slot, offset);
        if (k == 1u && first == slot * 0x40000u + offset) {
            return false;
        }
        first = slot * 0x40000u + offset;
        spoil(session, slot, offset, 1u + (uint32_t)(draw >> 50) % 255u);
    }
    if (settled && other && session->nor.geometry.reports != 0) {
        /* Two units that an error code cannot make good, one of them the settled record: known and told, an older table may come. */
        session->may |= MAY_DAMAGED | MAY_NOTHING | MAY(TABLE_OLDER);
        session->sequence = 0;
    }
    session_judge(session);
    return true;
}

const store_family_t family_rots = {
    "rots", "two bytes rot, drawn from header, table, unused bytes and the end records of both slots", 20000, total_rots, play_rots,
};

/* ---- an erase that takes its time ---- */

#define WAITS 4u
static const uint32_t wait_counts[WAITS] = {1, 7, 999, 0}; /* 0: for ever */

static uint32_t busy_of(uint32_t i)
{
    return (operations_in(i) + 1u) * WAITS * (is_large(i) ? 2u : 6u);
}

static uint32_t total_busy(void)
{
    return total_of(busy_of);
}

static bool play_busy(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(9, number);
    const uint32_t i = locate(busy_of, &number);
    const uint32_t waits = wait_counts[campaign_digit(&number, WAITS)];
    const uint32_t form = campaign_digit(&number, is_large(i) ? 2u : 6u) * 4u + (uint32_t)(seed % 4u);
    nor_cut_t cut;
    campaign_short_form(&cut, number, form, seed);
    open_at(session, i, seed);
    session->nor.busy = waits;
    session->nor.never_ends = waits == 0;
    session->nor.key = nor_mix(session->nor.key, waits);
    session->may |= waits == 0 ? MAY_FAIL : 0;
    session_say(session, "an erase says busy %u times (0: for ever)\n", waits);
    (void)session_run(session, TABLE_NEW, number == 0 ? NULL : &cut, false);
    const bool done = session->nor.polls > 0 && (number == 0 || session->nor.happened);
    session->nor.never_ends = false;
    session->may &= ~MAY_FAIL;
    if (done) {
        session_judge(session);
    }
    return done;
}

const store_family_t family_busy = {
    "busy", "an erase is busy 1, 7 or 999 times, or for ever; alone and with a cut", 4000, total_busy, play_busy,
};
