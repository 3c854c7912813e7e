/* The live table: what the control law reads every tick.
 *
 * It is built by table_parse (table.c) from the bytes that firmware_stub/README.md documents, after they have been
 * validated; nothing else writes it. Units: angles in millidegrees (mdeg), speeds in mdeg/s, flow and drive and lever
 * share in 1/10000 of full scale (e4), sensor counts raw, times in ticks.
 *
 * INV-TABLE-1  A live table exists only where every rule of table_parse held; a refused table leaves no part behind.
 * INV-TABLE-2  Every product that the law forms from a valid table fits 64 bits, every result 32 bits (the bounds: demand.c,
 *              coupled.c, tip.c, and table.c for the flow).
 * INV-TABLE-3  A joint that does not turn for ever is seen at both of its soft stops by every position track: outside its
 *              points a track's value is held, so a soft stop beyond them would never act.
 * INV-TABLE-4  No two tracks of the table are on one analog channel, and no window takes count 0 or 65535 for a value: a
 *              fault of one wire shows, and in one place.
 */
#ifndef TABLE_H
#define TABLE_H
#include "core.h"
#include "curve.h"

#define TABLE_JOINTS_MAX 16
#define TABLE_COUPLED_MAX 8      /* coupled stops */
#define TABLE_INPUTS_MAX 64      /* analog channels */
#define TABLE_ANGLE_MAX_MDEG 360000
#define TABLE_SPEED_MAX_MDEG_S 200000
#define TABLE_FULL_E4 10000
#define TABLE_COUPLED_WEIGHT_MAX_E3 10000
#define TABLE_COUPLED_ROOM_MAX_MDEG 7200000 /* two joints of 360 degrees, each times the largest weight */
#define TABLE_COUPLED_SPEED_MAX_MDEG_S 2000000
#define TABLE_REACH_MAX_MM 65535
#define TABLE_TIP_MAX_MDEG_MM_S 2000000000
#define TABLE_MACHINE_ID_BYTES 16
#define TABLE_DIGEST_BYTES 32

enum { TABLE_POSITIVE = 0, TABLE_NEGATIVE = 1, TABLE_DIRECTIONS = 2 };
enum { TABLE_REDUCED = 0, TABLE_FULL_SPEED = 1, TABLE_MODES = 2 };
enum { TABLE_FOLLOW = 0, TABLE_SPEED = 1 };

typedef struct {
    int32_t input;     /* analog channel, 0 .. TABLE_INPUTS_MAX - 1 */
    int32_t count_min; /* plausible window, both ends inside; 1 .. 65534, so that a wire cut or shorted is outside */
    int32_t count_max; /* above count_min */
    curve_t curve;     /* counts -> mdeg, or -> lever share e4 for the operator of a speed joint */
} table_track_t;

typedef struct {
    int32_t track_count;  /* 1 or 2 */
    table_track_t track[2];
    int32_t step_max;     /* largest believable change in one tick, in the unit of the curve; >= 1 */
    int32_t disagreement; /* largest believable difference of two tracks; >= 1 */
    int32_t bad_ticks;    /* 1 .. 1000, 1 s at most: so many bad ticks, less the good ones between them, are a fault */
} table_sensor_t;

typedef struct {
    int32_t control;    /* TABLE_FOLLOW or TABLE_SPEED */
    int32_t continuous; /* 0 or 1: turns for ever, no stops, angle wraps */
    int32_t polarity;   /* +1 or -1: drive sign of the positive joint direction */
    table_sensor_t operator_sensor;
    table_sensor_t position_sensor;
    int32_t filter_q16;       /* low-pass coefficient of the demand, 1 .. 65536 */
    int32_t speed_filter_q16; /* low-pass coefficient of the operator's speed, 1 .. 65536 */
    int32_t deadband;         /* follow: error in mdeg; speed control: lever share e4, 0 .. 5000 */
    int32_t speed_deadband_mdeg_s;
    int32_t deadband_scale_q16; /* made by table_parse: floor(10000 * 65536 / (10000 - deadband)) for speed control, else 65536 */
    curve_t response;         /* filtered demand -> target (mdeg -> mdeg, or e4 -> e4) */
    int32_t gain_q16;         /* 1/s, 0 .. 50 * 65536 */
    int32_t feed_q16;         /* feed-forward share, 0 .. 65536 */
    int32_t match_window_mdeg;
    int32_t gap_mdeg;         /* 0: none */
    int32_t speed_mdeg_s[TABLE_MODES][TABLE_DIRECTIONS]; /* 1 .. TABLE_SPEED_MAX_MDEG_S, reduced <= full */
    int32_t accelerate_mdeg_s;  /* largest gain of speed in one tick, >= 1 */
    int32_t decelerate_mdeg_s;  /* largest loss of speed in one tick in ordinary motion, >= 1 */
    int32_t stop_mdeg_s;        /* the same in `stopping`, >= 1 */
    int32_t soft_stop_mdeg[TABLE_DIRECTIONS]; /* [POSITIVE] upper, [NEGATIVE] lower; upper > lower */
    curve_t brake[TABLE_DIRECTIONS];          /* distance left to the soft stop (mdeg) -> speed (mdeg/s), first point (0, >= 0) */
    curve_t flow_per_speed_q16[TABLE_DIRECTIONS]; /* position (mdeg) -> valve flow e4 per mdeg/s, times 65536; >= 1 */
    int32_t flow_max_e4[TABLE_DIRECTIONS];    /* 1 .. 10000 */
    int32_t flow_full_ml_min;                 /* what flow 10000 is, 1 .. 1 000 000 */
    curve_t valve[TABLE_DIRECTIONS];          /* flow e4 -> drive e4, rising, first point (0, jump) */
    int32_t drive_max_e4;                     /* 1 .. 10000 */
    int32_t reversal_ticks;                   /* at least so many ticks at zero between two directions, 1 .. 1000 */
    int32_t settle_ticks;                     /* drive zero for so long: from then on the joint must stand */
    int32_t still_ticks;                      /* window of that watch */
    int32_t still_mdeg;
    int32_t stall_flow_e4;                    /* with at least this flow ... */
    int32_t stall_ticks;                      /* ... for so long ... */
    int32_t stall_mdeg;                       /* ... the joint must have moved by this much, that way */
    int32_t reach_mm;                         /* farthest that a point beyond the joint can be from its axis, times the largest
                                                 real speed over the asked one, 0 .. 65535; 0: moves nothing that counts (L6f) */
} table_joint_t;

typedef struct { /* weight_a * qa + weight_b * qb <= 1000 * limit, as a soft stop (L6c, L7f) */
    int32_t joint[2];     /* the first below the second; neither continuous */
    int32_t weight_e3[2]; /* thousandths, -10000 .. 10000, not 0 */
    int32_t limit_mdeg;   /* -7 200 000 .. 7 200 000 */
    curve_t brake;        /* room (mdeg of the weighted sum) -> its speed (mdeg/s), first point (0, >= 0) */
} table_coupled_t;

typedef struct {
    uint8_t machine_id[TABLE_MACHINE_ID_BYTES]; /* ASCII, zero padded */
    uint16_t revision;
    uint8_t tool_version[3];
    uint8_t profile_digest[TABLE_DIGEST_BYTES]; /* SHA-256 of the profile file */
    int32_t joint_count;                        /* 1 .. TABLE_JOINTS_MAX */
    int32_t tick_us;                            /* tick_us * tick_hz = 1 000 000, tick_hz 50 .. 1000 */
    int32_t tick_hz;
    int32_t late_us;            /* a tick later than tick_us + late_us is a fault; at most tick_us */
    int32_t pump_ml_min;        /* 1 .. 10 000 000 */
    int32_t power_up_ticks;     /* so many good samples of every sensor before powering_up ends, >= 3 */
    int32_t discrepancy_ticks;  /* the two emergency-stop channels may differ for less than this, at most 5 s */
    int32_t reset_min_ticks;    /* a reset is a press of this length at least ... */
    int32_t reset_max_ticks;    /* ... and this at most, taken when the button is let go */
    int32_t load_ticks;         /* pump loaded for so long before matching counts */
    int32_t match_ticks;        /* everything matched for so long before running */
    int32_t authority_step_q16; /* authority gained each tick of running, 1 .. 65536 */
    int32_t stop_category;      /* 0 or 1 */
    int32_t stop_ticks;         /* category 1: deadline of `stopping` after an emergency stop, at most 10 s */
    int32_t release_ticks;      /* deadline of `stopping` after the enabling device was let go, at most 10 s */
    int32_t tip_mdeg_mm_s;      /* limit of L6f: sum of |speed| (mdeg/s) x reach (mm) in reduced mode; 0: none, at most 2 000 000 000 */
    int32_t coupled_count;      /* 0 .. TABLE_COUPLED_MAX */
    table_coupled_t coupled[TABLE_COUPLED_MAX];
    table_joint_t joint[TABLE_JOINTS_MAX];
} table_t;

/* What a valid table holds, as far as the law's arithmetic needs it: the ranges of table.c's fields and curve rules. */
/*@ predicate track_sound(table_track_t *track, integer most) =
        0 <= track->input < TABLE_INPUTS_MAX && 1 <= track->count_min < track->count_max <= 65534 &&
        curve_ready(&track->curve) && curve_within(&track->curve, -most, most);
    predicate sensor_sound(table_sensor_t *sensor, integer most) =
        1 <= sensor->track_count <= 2 && track_sound(&sensor->track[0], most) &&
        (sensor->track_count == 2 ==> track_sound(&sensor->track[1], most)) &&
        1 <= sensor->step_max <= 720000 && 1 <= sensor->disagreement <= 720000 && 1 <= sensor->bad_ticks <= 1000;
    predicate brake_sound(curve_t *brake, integer most) = curve_ready(brake) && curve_within(brake, 0, most);
    predicate joint_moves_soundly(table_joint_t *joint) =
        (\forall integer m, d; 0 <= m < 2 && 0 <= d < 2 ==> 1 <= joint->speed_mdeg_s[m][d] <= TABLE_SPEED_MAX_MDEG_S) &&
        1 <= joint->accelerate_mdeg_s <= TABLE_SPEED_MAX_MDEG_S && 1 <= joint->decelerate_mdeg_s <= TABLE_SPEED_MAX_MDEG_S &&
        1 <= joint->stop_mdeg_s <= TABLE_SPEED_MAX_MDEG_S && 1 <= joint->reversal_ticks <= 1000 &&
        0 <= joint->reach_mm <= TABLE_REACH_MAX_MM &&
        (\forall integer d; 0 <= d < 2 ==> -TABLE_ANGLE_MAX_MDEG <= joint->soft_stop_mdeg[d] <= TABLE_ANGLE_MAX_MDEG &&
            brake_sound(&joint->brake[d], TABLE_SPEED_MAX_MDEG_S));
    predicate joint_flows_soundly(table_joint_t *joint) =
        (joint->polarity == 1 || joint->polarity == -1) && 1 <= joint->drive_max_e4 <= TABLE_FULL_E4 &&
        1 <= joint->flow_full_ml_min <= 1000000 &&
        (\forall integer d; 0 <= d < 2 ==> 1 <= joint->flow_max_e4[d] <= TABLE_FULL_E4 &&
            curve_ready(&joint->flow_per_speed_q16[d]) && curve_within(&joint->flow_per_speed_q16[d], 1, INT32_MAX) &&
            curve_ready(&joint->valve[d]) && curve_within(&joint->valve[d], 0, TABLE_FULL_E4));
    predicate joint_sound(table_joint_t *joint) = joint_moves_soundly(joint) && joint_flows_soundly(joint); */
typedef enum {
    TABLE_OK = 0,
    TABLE_TOO_SHORT,
    TABLE_BAD_MAGIC,
    TABLE_OTHER_LAYOUT,   /* an older or newer layout: recognised and refused by name */
    TABLE_BAD_LENGTH,
    TABLE_BAD_CRC,
    TABLE_BAD_STRUCTURE,  /* unknown, missing, doubled or short section */
    TABLE_BAD_VALUE,      /* a value outside what table.h allows; table_fault says which */
    TABLE_OTHER_MACHINE   /* not for this machine id (checked by table_is_for) */
} table_result_t;

typedef struct {
    table_result_t result;
    uint16_t section; /* index of the section, 0xFFFF for the header */
    uint16_t field;   /* field number within it, as firmware_stub/README.md numbers them */
} table_fault_t;

/* Reads and validates `byte_count` bytes into *table. On any fault *table is zeroed. */
table_fault_t table_parse(const uint8_t *bytes, size_t byte_count, table_t *table);
/*@ requires \valid_read(table) && \valid_read(machine_id + (0 .. TABLE_MACHINE_ID_BYTES - 1));
    assigns \nothing;
    ensures exact: \result <==> \forall integer i; 0 <= i < TABLE_MACHINE_ID_BYTES ==> table->machine_id[i] == machine_id[i]; */
bool table_is_for(const table_t *table, const uint8_t machine_id[TABLE_MACHINE_ID_BYTES]);

#endif
