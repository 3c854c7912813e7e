/* Single ticks of the unmodified law from states that the caller makes: every speed, every count. Host only; the caller owns all
 * memory. Arrays are C-contiguous.
 *
 * INV-TRIES-1  A tick is a tick of law_step on the whole law; of the state only the joints' speeds, and what a speed says of the
 *              tick before (last direction, zero ticks, flow, drive), are the caller's, and whether the sensors have a past.
 */
#ifndef BENCH_TRIES_H
#define BENCH_TRIES_H
#include "bench.h"

enum { BENCH_TRIES_OUT = 4 }; /* wanted, speed, flow, drive */

typedef struct {
    const void *table;
    const void *state;     /* what every try starts from */
    const int32_t *rows;   /* row_count x BENCH_IN_INTS; try i takes row i modulo row_count */
    const int32_t *speeds; /* speed_count x joint_count, mdeg/s of the tick before; try i takes line i modulo speed_count */
    int64_t row_count;
    int64_t speed_count;
    int64_t count;     /* tries */
    int64_t fresh;     /* not 0: no track is primed and no filter started, so that every count in its window is a value at once */
    int32_t *after;    /* out: count x joint_count x BENCH_TRIES_OUT */
    int32_t *state_at; /* out: count: the state's name after the tick, plus 256 if the enable output is on */
} bench_tries_t;

size_t bench_tries_bytes(void);
/* Where a joint's part lies in a state of the law: offset of the first, and bytes of each. */
size_t bench_joint_offset(void);
size_t bench_joint_bytes(void);
void bench_tries(const bench_tries_t *job);

enum { BENCH_SENSE_OUT = 6 }; /* value, larger, smaller, 1 if a fault, cap of the speed upwards, and downwards */

/* L3 for the position sensor of one joint, and what the soft stops make of it (L6b): both tracks at `first` for three ticks from
 * start, then at `then` for `ticks` ticks. Both are count x 2 counts. The caps are those of full speed, as magnitudes. */
void bench_sense(const void *table, int32_t joint, int32_t ticks, const int32_t *first, const int32_t *then, int32_t *out,
                 int64_t count);

#endif
