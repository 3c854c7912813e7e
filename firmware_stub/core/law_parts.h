/* The steps of the law, one file each; law.c puts them in the order of rule L1. Not for use outside the core (bench.c
 * calls single stages of it for enumeration). */
#ifndef LAW_PARTS_H
#define LAW_PARTS_H
#include "law.h"

typedef struct {
    uint32_t cause; /* law_cause_t, LAW_CAUSE_NONE when there is none */
    uint32_t joint;
} law_fault_t;

/* angle.c: L2w */
int32_t angle_wrap(int32_t angle_mdeg);
int32_t angle_difference(bool continuous, int32_t a_mdeg, int32_t b_mdeg);

/* sense.c: L3 */
void sense_step(const table_sensor_t *sensor, bool wraps, const uint16_t *counts, law_sensor_state_t *state);
bool sense_ready(const table_sensor_t *sensor, const law_sensor_state_t *state, int32_t good_ticks);
bool sense_counts_bad(const table_sensor_t *sensor, const law_sensor_state_t *state);
bool sense_disagrees(const table_sensor_t *sensor, const law_sensor_state_t *state);

/* demand.c: L4, L5 and the matched condition of L10o */
void demand_step(const table_t *table, int32_t joint, law_joint_state_t *state);
int32_t demand_share(const table_joint_t *joint, int32_t demand, bool *at_rest);
int32_t demand_speed(const table_joint_t *joint, const law_joint_state_t *state, uint32_t mode, uint32_t *flags);

/* motion.c: L6, L7 */
int32_t motion_limit(const table_joint_t *joint, const law_joint_state_t *state, uint32_t mode, int32_t wanted_mdeg_s,
                     uint32_t *flags);
int32_t motion_authority(int32_t wanted_mdeg_s, int32_t factor_q16);
int32_t motion_need_e4(const table_joint_t *joint, int32_t position_mdeg, int32_t wanted_mdeg_s);
int32_t motion_share_q16(const table_t *table, const law_state_t *state, const int32_t *wanted_mdeg_s);
int32_t motion_ramp(const table_joint_t *joint, const law_joint_state_t *state, int32_t decelerate_mdeg_s,
                    int32_t target_mdeg_s);
int32_t motion_soft_stop(const table_joint_t *joint, const law_joint_state_t *state, int32_t speed_mdeg_s, bool *lowered);
int32_t motion_flow_e4(const table_joint_t *joint, int32_t position_mdeg, int32_t *speed_mdeg_s, bool *clamped);
void motion_keep(law_joint_state_t *state, int32_t speed_mdeg_s);

/* coupled.c: L6c and, with the speeds of L7, L7f */
int32_t coupled_cap(const table_coupled_t *stop, const law_state_t *state);
/* Speeds of the stop's two joints, lowered in place; bit n of the result: joint n of the stop was. */
uint32_t coupled_lower(const table_coupled_t *stop, const law_state_t *state, int32_t speed_mdeg_s[2]);
void coupled_step(const table_t *table, const law_state_t *state, int32_t *speed_mdeg_s, law_out_t *out);

/* tip.c: L6f, L7g */
int64_t tip_sum(const table_t *table, const int32_t *speed_mdeg_s);
void tip_scale(const table_t *table, uint32_t mode, int32_t *wanted_mdeg_s, law_out_t *out);
void tip_hold(const table_t *table, const law_state_t *state, int32_t *speed_mdeg_s, law_out_t *out);

/* valve.c: L8 */
int32_t valve_drive_e4(const table_joint_t *joint, int32_t speed_mdeg_s, int32_t flow_e4);

/* watch.c: L9 */
law_fault_t watch_step(const table_t *table, law_state_t *state, const law_in_t *in);

/* safety.c: L10 */
void safety_discrepancy(const table_t *table, law_state_t *state, uint32_t digital);
void safety_step(const table_t *table, law_state_t *state, uint32_t digital, const law_fault_t *fault);
void safety_waits(const table_t *table, const law_state_t *state, uint32_t digital, law_out_t *out);
bool safety_moves(uint32_t state_name);   /* running or stopping */
bool safety_enables(uint32_t state_name); /* the enable output is on */

#endif
