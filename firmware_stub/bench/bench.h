/* What the PC tool calls on the unmodified core: whole trajectories and whole enumerations a call. Host only.
 *
 * Arrays are C-contiguous; `table` and `state` are opaque blocks of bench_table_bytes() and bench_state_bytes().
 * A tick of input is BENCH_IN_INTS int32: elapsed_us, digital, counts[0..63].
 * A tick of trace is BENCH_OUT_INTS int32: state, cause, cause_joint, mode, enable, authority_q16, share_q16, waits_for,
 * waits_joint, then for each of 16 joints target, position, wanted, speed, flow, drive, flags.
 */
#ifndef BENCH_H
#define BENCH_H
#include "../core/law.h"

#define BENCH_IN_INTS (2 + TABLE_INPUTS_MAX)
#define BENCH_OUT_HEAD 9
#define BENCH_OUT_JOINT 7
#define BENCH_OUT_INTS (BENCH_OUT_HEAD + BENCH_OUT_JOINT * TABLE_JOINTS_MAX)

const char *bench_source_digest(void); /* SHA-256 over the core's and bench's sources, made at build time */
size_t bench_table_bytes(void);
size_t bench_state_bytes(void);
int32_t bench_table(const uint8_t *bytes, size_t byte_count, void *table, int32_t fault[2]); /* table_result_t */
int32_t bench_joint_count(const void *table);
int32_t bench_coupled_count(const void *table);
void bench_start(void *state);
void bench_run(const void *table, void *state, const int32_t *in, int32_t *out, int64_t ticks);

/* Stages, for enumeration. Curve ids: 0, 1 operator tracks; 2, 3 position tracks; 4 response; 5, 6 brake; 7, 8 flow per
 * speed; 9, 10 valve. */
void bench_curve(const void *table, int32_t joint, int32_t curve, const int32_t *x, int32_t *y, int64_t count);
/* L8 for speeds of sign `direction` (+1 or -1) and flows: the drive. */
void bench_valve(const void *table, int32_t joint, int32_t direction, const int32_t *flow, int32_t *drive, int64_t count);
/* L5a/L5b for one joint in mode `mode`: value = error (mdeg) or share (e4); operator_speed ignored in speed control. */
void bench_target_speed(const void *table, int32_t joint, int32_t mode, const int32_t *value, const int32_t *operator_speed,
                        int32_t *speed, int64_t count);
/* L4c: demand (e4) -> share and whether the lever is at rest. */
void bench_share(const void *table, int32_t joint, const int32_t *demand, int32_t *share, int32_t *at_rest, int64_t count);
/* L6a, L6b for one joint: target speed and position (both larger and smaller) -> limited speed. */
void bench_limit(const void *table, int32_t joint, int32_t mode, const int32_t *speed, const int32_t *position, int32_t *limited,
                 int64_t count);
/* L7a, L7b with zero ticks at their end and no last direction: ramp from speed w to target t. stopping: 0 or 1. */
void bench_ramp(const void *table, int32_t joint, int32_t stopping, const int32_t *w, const int32_t *t, int32_t *result, int64_t count);
/* L7d: speed and position -> flow, and the clamped speed. */
void bench_flow(const void *table, int32_t joint, const int32_t *speed, const int32_t *position, int32_t *flow, int32_t *clamped,
                int64_t count);
/* L2 on the braking curve of one coupled stop: room (mdeg) -> cap (mdeg/s). */
void bench_coupled_brake(const void *table, int32_t stop, const int32_t *room, int32_t *cap, int64_t count);
/* L6c, and with ramped speeds L7f, for one coupled stop: positions of its two joints (both larger and smaller) and their
 * speeds -> lowered speeds. */
void bench_coupled(const void *table, int32_t stop, const int32_t *position_a, const int32_t *position_b, const int32_t *speed_a,
                   const int32_t *speed_b, int32_t *lowered_a, int32_t *lowered_b, int64_t count);
/* L6f (hold 0; `before` is not read) or L7g (hold 1) in the reduced mode. Rows of joint_count speeds. */
void bench_tip(const void *table, int32_t hold, const int32_t *before, const int32_t *speed, int32_t *lowered, int64_t count);

/* The assertion latch of core.h: 0 while none has failed. */
int32_t bench_assert_line(void);
void bench_assert_clear(void);

void bench_read_in(const int32_t *ints, law_in_t *in);
void bench_write_out(const law_out_t *out, int32_t *ints);

#endif
