/* Search: examples of what an operator, wires and machine may do, run through the unmodified law and a plant, and watched
 * by a monitor that knows the rules at the top of law.h and the limits of the table, and none of the law's code.
 *
 * INV-SEARCH-1  An example is SEARCH_GENOME_BYTES bytes and nothing else: the same bytes on the same table give the same ticks.
 * INV-SEARCH-2  Every string of bytes is an example. Smaller bytes are simpler: all zero is a short start and nothing after it.
 * INV-SEARCH-3  Every tick is a tick of law_step; the monitor sees what went in and what came out, and keeps its own record.
 * INV-SEARCH-4  The monitor errs on the side of silence: where sensors are in doubt it asks for less, so what it names is a fault.
 *
 * The example. Byte 0: bits 0 to 2 one less than the number of segments; bits 3 and 4 both set: no start sequence before them; bit 5 full
 * speed asked for. Byte 1: the plant of each joint (0: gain 1, middle lag and dead time). Byte 2: where the joints stand at
 * first (0: in the middle). Byte 3: bits 0 to 2 all set: noise of a count on positions; bit 4: the device is held from power-up on.
 * Then eight segments of SEARCH_SEGMENT_BYTES; search_script.c names their bytes.
 * Host only; the caller owns all memory; not for two threads at once, since the assertion latch of core.h is one.
 */
#ifndef SEARCH_H
#define SEARCH_H
#include "../core/law.h"

#define SEARCH_SEGMENTS 8
#define SEARCH_SEGMENT_BYTES 16
#define SEARCH_HEAD_BYTES 4
#define SEARCH_GENOME_BYTES (SEARCH_HEAD_BYTES + SEARCH_SEGMENTS * SEARCH_SEGMENT_BYTES)
#define SEARCH_DEAD_MAX 64 /* ticks of dead time */
#define SEARCH_CORNERS 3   /* lowest, middle, highest */
#define SEARCH_NO_BOUND INT32_MAX

typedef enum { /* what the monitor can say; mapper/check/search/rules.py has the words, in this order */
    SEARCH_NOTHING = 0,
    SEARCH_DRIVE_RANGE,
    SEARCH_MOVES_WHERE_NONE_MAY,
    SEARCH_ENABLE_WRONG,
    SEARCH_DRIVE_AGAINST_SPEED,
    SEARCH_STOP_LATE,
    SEARCH_RELEASE_LATE,
    SEARCH_RESTART,
    SEARCH_UNMATCHED,
    SEARCH_RAMP_UP,
    SEARCH_RAMP_DOWN,
    SEARCH_REVERSAL,
    SEARCH_STOP_SPEEDS_UP,
    SEARCH_AUTHORITY_RISE,
    SEARCH_AUTHORITY_SHARE,
    SEARCH_SPEED_LIMIT,
    SEARCH_PUMP_SHARE,
    SEARCH_SOFT_STOP,
    SEARCH_COUPLED_STOP,
    SEARCH_TIP_SPEED,
    SEARCH_MODE_RISE,
    SEARCH_GAP,
    SEARCH_POSITION,
    SEARCH_WINDOW,
    SEARCH_DISAGREEMENT,
    SEARCH_DISCREPANCY,
    SEARCH_LATE_TICK,
    SEARCH_STALLED,
    SEARCH_MOVED,
    SEARCH_ASSERTION,
    SEARCH_RULES
} search_rule_t;

typedef struct { /* of one joint, from the profile; arrays by corner */
    double gain[SEARCH_CORNERS];  /* real over asked speed, above 0 */
    double alpha[SEARCH_CORNERS]; /* share of the way to a new speed that the lag leaves in one tick, above 0, at most 1 */
    int32_t dead_ticks[SEARCH_CORNERS]; /* 0 .. SEARCH_DEAD_MAX */
    int32_t hard_mdeg[TABLE_DIRECTIONS];  /* [positive] upper, [negative] lower: the plant ends there */
    int32_t bound_mdeg[TABLE_DIRECTIONS]; /* the true position never lies beyond; SEARCH_NO_BOUND: nothing is known */
    int32_t spare;
} search_joint_t;

typedef struct {
    int32_t rule;  /* search_rule_t; SEARCH_NOTHING when all is well */
    int32_t joint; /* LAW_NO_JOINT: the machine */
    int32_t tick;  /* from 0 */
    int32_t value, bound; /* in the rule's unit */
} search_found_t;

typedef struct { /* one example kept whole; any pointer may be NULL */
    int32_t *in;        /* capacity x BENCH_IN_INTS */
    int32_t *out;       /* capacity x BENCH_OUT_INTS */
    int32_t *true_mdeg; /* capacity x TABLE_JOINTS_MAX, where the joints were when the tick's counts were read */
    uint8_t *power_up;  /* capacity: 1 where the controller started anew before the tick */
    uint8_t *doubtful;  /* capacity x TABLE_JOINTS_MAX: 1 where a fault of sensor or spool takes the position out of its bound */
    int64_t capacity;
} search_trace_t;

typedef struct { /* ticks that somebody recorded; true_mdeg and doubtful may be NULL */
    const int32_t *in, *true_mdeg;
    const uint8_t *power_up, *doubtful;
    int64_t ticks;
} search_record_t;

size_t search_bytes(int32_t what); /* 0: block, 1: search_joint_t, 2: search_trace_t, 3: search_record_t, 4: search_found_t */

/* `block`: search_bytes(0) bytes, kept by the caller; `table`: live, must outlive the block; `joints`: one a joint.
 * `count_max`: what an analog input reads when it is shorted. */
void search_prepare(void *block, const void *table, const search_joint_t *joints, int32_t count_max);

/* Runs one example until it ends or the monitor finds something. Returns the ticks run. */
int64_t search_run(const void *block, const uint8_t *genome, const search_trace_t *trace, search_found_t *found);

/* The law and the monitor over recorded ticks, to the first thing that is found. */
void search_again(const void *block, const search_record_t *record, search_found_t *found);

#endif
