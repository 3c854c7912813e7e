/* Exhausting the safety machine (rule L10) on the unmodified law, and running many short scenarios from one state.
 *
 * INV-EXHAUST-1  Every tick is a tick of law_step on the whole law, not of a copy of its rules.
 * INV-EXHAUST-2  The joints' part of the state is put to one of the caller's variants before every tick, so what the joints tell
 *                the safety machine (ready, matched, standing, faulty) is free in every state: more behaviours than the arm
 *                has, never fewer.
 * INV-EXHAUST-3  Counters are kept at the smallest value that compares the same with every limit of the table, so that the
 *                states are finitely many and each stands for all that behave like it.
 * Host only; the caller owns all memory.
 */
#ifndef BENCH_SAFETY_H
#define BENCH_SAFETY_H
#include "bench.h"

#define BENCH_SAFETY_FIELDS 12  /* state, cause, cause_joint, mode, permit, seen_released, both_must_open, discrepancy,
                                 * press_ticks, state_ticks, match_ticks, authority_q16 */
#define BENCH_SAFETY_DIGITAL 64 /* every combination of the digital inputs */

enum { BENCH_SAFETY_DRIVES = 1, BENCH_SAFETY_ENABLES = 2, BENCH_SAFETY_MOVES = 4 };

typedef struct {
    const void *table;       /* live table */
    const uint8_t *variants; /* variant_count states of the law, one after another */
    const int32_t *rows;     /* variant_count ticks of input; the digital inputs are replaced */
    int64_t variant_count;
    int64_t state_capacity;
    int64_t hash_capacity;   /* a power of two, at least twice state_capacity */
    int32_t *states;         /* out: state_capacity x BENCH_SAFETY_FIELDS */
    int32_t *parents;        /* out: state_capacity x 2: the state that led here first, and digital * variant_count + variant */
    int32_t *next;           /* out: state_capacity x BENCH_SAFETY_DIGITAL x variant_count: index of the state after the tick */
    uint8_t *flags;          /* out: the same shape: BENCH_SAFETY_DRIVES and so on, after the tick */
    int32_t *hash;           /* scratch: hash_capacity */
} bench_safety_t;

size_t bench_safety_bytes(void); /* of bench_safety_t: the binding checks that its own picture is the same */

/* Breadth first from power-up through every state of the safety machine and every input. The number of states, or -1 when they
 * are more than state_capacity. */
int64_t bench_safety(const bench_safety_t *job);

/* `scenarios` times: a copy of `state`, the scenario's row of input held for `ticks` ticks, the last tick's output into
 * out[scenario]. */
typedef struct {
    const void *table;
    const void *state;
    const int32_t *rows; /* scenarios x BENCH_IN_INTS */
    int64_t scenarios;
    int64_t ticks;       /* at least 1 */
    int32_t *out;        /* scenarios x BENCH_OUT_INTS */
} bench_each_t;

size_t bench_each_bytes(void);
void bench_each(const bench_each_t *job);

#endif
