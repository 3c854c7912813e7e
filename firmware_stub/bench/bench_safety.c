#include "bench_safety.h"

#include "../core/law_parts.h"

#include <string.h>

#define NO_STATE (-1)

size_t bench_safety_bytes(void)
{
    return sizeof(bench_safety_t);
}

size_t bench_each_bytes(void)
{
    return sizeof(bench_each_t);
}

static int32_t at_most(uint32_t counter, int32_t most)
{
    return counter < (uint32_t)most ? (int32_t)counter : most;
}

static int32_t largest(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

/* INV-EXHAUST-3: the rules compare state ticks by >= with three limits, the press counter by <= reset_max, and nothing else. */
static void read_fields(const table_t *table, const law_state_t *state, int32_t *fields)
{
    const int32_t ticks_most = largest(table->load_ticks, largest(table->stop_ticks, table->release_ticks));
    fields[0] = (int32_t)state->state;
    fields[1] = (int32_t)state->cause;
    fields[2] = (int32_t)state->cause_joint;
    fields[3] = (int32_t)state->mode;
    fields[4] = state->permit ? 1 : 0;
    fields[5] = state->seen_released ? 1 : 0;
    fields[6] = state->both_must_open ? 1 : 0;
    fields[7] = (int32_t)state->discrepancy;
    fields[8] = at_most(state->press_ticks, table->reset_max_ticks + 1);
    fields[9] = at_most(state->state_ticks, ticks_most);
    fields[10] = at_most(state->match_ticks, table->match_ticks);
    fields[11] = state->authority_q16;
}

static void write_fields(const int32_t *fields, law_state_t *state)
{
    state->state = (uint32_t)fields[0];
    state->cause = (uint32_t)fields[1];
    state->cause_joint = (uint32_t)fields[2];
    state->mode = (uint32_t)fields[3];
    state->permit = fields[4] != 0;
    state->seen_released = fields[5] != 0;
    state->both_must_open = fields[6] != 0;
    state->discrepancy = (uint32_t)fields[7];
    state->press_ticks = (uint32_t)fields[8];
    state->state_ticks = (uint32_t)fields[9];
    state->match_ticks = (uint32_t)fields[10];
    state->authority_q16 = fields[11];
}

static bool same_fields(const int32_t *a, const int32_t *b)
{
    for (int32_t i = 0; i < BENCH_SAFETY_FIELDS; i++) {
        if (a[i] != b[i]) {
            return false;
        }
    }
    return true;
}

static uint32_t hash_of(const int32_t *fields)
{
    uint32_t hash = 2166136261u;
    for (int32_t i = 0; i < BENCH_SAFETY_FIELDS; i++) {
        hash = (hash ^ (uint32_t)fields[i]) * 16777619u;
        hash ^= hash >> 15;
    }
    return hash;
}

/* Index of the state with these fields; a new one is appended. NO_STATE when there is no room. */
static int32_t intern(const bench_safety_t *job, const int32_t *fields, int64_t *count)
{
    const uint32_t mask = (uint32_t)(job->hash_capacity - 1);
    uint32_t slot = hash_of(fields) & mask;
    while (job->hash[slot] != NO_STATE) { /* ends: at most half of the slots are taken */
        const int32_t index = job->hash[slot];
        if (same_fields(job->states + (int64_t)index * BENCH_SAFETY_FIELDS, fields)) {
            return index;
        }
        slot = (slot + 1) & mask;
    }
    if (*count >= job->state_capacity) {
        return NO_STATE;
    }
    const int32_t index = (int32_t)*count;
    job->hash[slot] = index;
    int32_t *to = job->states + (int64_t)index * BENCH_SAFETY_FIELDS;
    for (int32_t i = 0; i < BENCH_SAFETY_FIELDS; i++) {
        to[i] = fields[i];
    }
    *count += 1;
    return index;
}

static uint8_t flags_of(const table_t *table, const law_out_t *out)
{
    uint32_t flags = out->enable != 0 ? (uint32_t)BENCH_SAFETY_ENABLES : 0u;
    for (int32_t i = 0; i < table->joint_count; i++) {
        flags |= out->joint[i].drive_e4 != 0 ? (uint32_t)BENCH_SAFETY_DRIVES : 0u;
        flags |= out->joint[i].speed_mdeg_s != 0 ? (uint32_t)BENCH_SAFETY_MOVES : 0u;
    }
    return (uint8_t)flags;
}

/* All digital inputs of one state with one variant of the joints. False when there is no room for a new state. */
static bool expand(const bench_safety_t *job, int64_t from, int64_t variant, int64_t *count)
{
    const table_t *const table = job->table;
    const size_t joints_bytes = sizeof(law_joint_state_t) * (size_t)table->joint_count;
    law_state_t prepared, state;
    law_in_t in;
    law_out_t out;
    int32_t fields[BENCH_SAFETY_FIELDS];
    core_copy((uint8_t *)&prepared, job->variants + (size_t)variant * sizeof prepared, sizeof prepared);
    state = prepared;
    bench_read_in(job->rows + variant * BENCH_IN_INTS, &in);
    for (int32_t digital = 0; digital < BENCH_SAFETY_DIGITAL; digital++) {
        memcpy(state.joint, prepared.joint, joints_bytes);
        write_fields(job->states + from * BENCH_SAFETY_FIELDS, &state);
        in.digital = (uint32_t)digital;
        law_step(table, &state, &in, &out);
        read_fields(table, &state, fields);
        const int64_t known = *count;
        const int32_t to = intern(job, fields, count);
        if (to == NO_STATE) {
            return false;
        }
        const int64_t input = digital * job->variant_count + variant;
        if (*count != known) {
            job->parents[2 * to] = (int32_t)from;
            job->parents[2 * to + 1] = (int32_t)input;
        }
        const int64_t at = from * BENCH_SAFETY_DIGITAL * job->variant_count + input;
        job->next[at] = to;
        job->flags[at] = flags_of(table, &out);
    }
    return true;
}

int64_t bench_safety(const bench_safety_t *job)
{
    law_state_t start;
    int32_t fields[BENCH_SAFETY_FIELDS];
    int64_t count = 0;
    for (int64_t i = 0; i < job->hash_capacity; i++) {
        job->hash[i] = NO_STATE;
    }
    law_start(&start);
    read_fields(job->table, &start, fields);
    if (intern(job, fields, &count) == NO_STATE) {
        return NO_STATE;
    }
    job->parents[0] = NO_STATE;
    job->parents[1] = NO_STATE;
    for (int64_t from = 0; from < count; from++) {
        for (int64_t variant = 0; variant < job->variant_count; variant++) {
            if (!expand(job, from, variant, &count)) {
                return NO_STATE;
            }
        }
    }
    return count;
}

void bench_each(const bench_each_t *job)
{
    law_state_t start, state;
    law_in_t in;
    law_out_t out;
    memcpy(&start, job->state, sizeof start); /* on the PC the library's, many times faster than core_copy */
    for (int64_t i = 0; i < job->scenarios; i++) {
        state = start;
        bench_read_in(job->rows + i * BENCH_IN_INTS, &in);
        for (int64_t tick = 0; tick < job->ticks; tick++) {
            law_step(job->table, &state, &in, &out);
        }
        bench_write_out(&out, job->out + i * BENCH_OUT_INTS);
    }
}
