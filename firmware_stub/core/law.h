/* The control law: sensors in, valve drives out, once a tick.
 *
 * THE RULES. This is their only place. The C beside this file is the one production implementation; an oracle in
 * tests/oracle, written from this page alone, must give the same bits. Tests cite the numbers.
 *
 * Words. `a div b` is division that truncates toward zero, `floor(a / b)` rounds down; products are formed in 64 bits.
 * clamp(v, lo, hi) is the nearest value to v in lo..hi. sign(v) is -1, 0 or 1. Direction of v: positive (0) if v > 0,
 * negative (1) if v < 0. "Count up" adds one and stays at 65535. All state starts at zero unless a rule says otherwise.
 * Names are those of table.h; a name of a joint's table stands for that joint's value.
 *
 * L1   Order. One tick does, in this order: L3 for every joint, L4 for every joint, L9 (watch), L10 (safety), then
 *      L5 .. L8 if the state is now `running` or `stopping`; in any other state every speed, flow and drive is zero and
 *      the pump share factor is 65536. What L10 decides in tick k holds for the outputs of tick k.
 * L2   Curve. curve(x): at or below the first point the first value; at or above the last point the last value; else, with
 *      the segment i for which x[i] <= x < x[i+1]: y[i] + floor((x - x[i]) * slope[i] / 65536), clamped to the two values
 *      y[i], y[i+1], where slope[i] = floor(65536 * (y[i+1] - y[i]) / (x[i+1] - x[i])).
 * L2w  Wrap. For the position of a continuous joint, wrap(a) brings a into -180000 <= a < 180000 by adding or taking away
 *      360000 once, twice or not at all (the difference of two angles of at most 360000 is never farther). difference(a, b)
 *      is a - b for other joints and wrap(a - b) for a continuous joint.
 * L3   Sense. For each sensor (operator, position) and each of its tracks, with count c = counts[input]:
 *   a    value now = curve(c) of the track. For the position of a continuous joint, wrap(curve(c)).
 *   b    good if count_min <= c <= count_max and (the track is not primed, or |difference(value now, last value)| <=
 *        step_max). The operator sensor and the position of a joint that is not continuous use the plain difference.
 *   c    good: last value = value now; if not primed, both older counts = c and the track is primed. Median m of c and
 *        the two older counts; the older counts become (c, the newer of the two before). The track's value = the curve at m
 *        (wrapped as in a). The bad counter falls by one if it is above 0 (so that samples lost again and again add up, and are
 *        a fault too); good counter counts up.
 *   d    bad: the track's value stays; good counter = 0; bad counter rises by one, up to bad_ticks; when it is at bad_ticks
 *        the track is no longer primed (so the next count inside the window starts it anew).
 *   e    two tracks: if both are primed and |difference(value 0, value 1)| > disagreement, the disagreement counter rises by
 *        one, up to bad_ticks; else it falls by one if it is above 0 (as in c: what comes and goes adds up). Difference as in b.
 *   f    sensor value = value of track 0. For a position with two tracks also the larger and the smaller of the two values;
 *        with one track both are the value. A sensor is ready when every track's good counter >= power_up_ticks; it is bad
 *        when a bad counter or the disagreement counter is at bad_ticks. (Readiness does not look at disagreement: powering_up may
 *        end with the tracks apart; the next tick is then a fault.)
 * L4   Demand. Runs in every state. While a track of the joint's operator sensor is not primed, demand, target and operator speed
 *      are 0 and the joint is not matched; in the next tick in which every track is primed at once the filter starts anew (so
 *      nothing of what a faulty sensor said is left in it).
 *   a    Low-pass, 16 fractional bits (64-bit state F): first time F = value * 65536; later
 *        F = F + (filter_q16 * (value * 65536 - F)) div 65536. Demand = F div 65536.
 *   b    Follow: target = response(demand). First time operator speed state S = 0; later
 *        S = S + (speed_filter_q16 * ((target - previous target) * tick_hz * 65536 - S)) div 65536.
 *        Operator speed = S div 65536. For a continuous joint the target is wrapped, and target - previous target is a
 *        difference (L2w).
 *   c    Speed control: s = clamp(demand, -10000, 10000). If |s| <= deadband the share is 0 and the lever is at
 *        rest. Else u = min(10000, ((|s| - deadband) * deadband_scale_q16) div
 *        65536), share = response(u with the sign of s), and the lever is not at rest. Target = share.
 * L5   Target speed, for each joint, from the position p (sensor value), mode m (L10) and the joint's own table.
 *   a    Follow: e = difference(target, p). If |e| <= deadband and |operator speed| <= speed_deadband: 0. Else if gap_mdeg > 0
 *        and |e| > gap_mdeg: 0, and the joint is held (flag). Else prop = (e * gain_q16) div 65536 limited to 32 bits, forward =
 *        (operator speed * feed_q16) div 65536 limited to 32 bits, forward then clamped to -speed[m][negative] .. speed[m][positive];
 *        if prop >= speed[m][positive] or prop <= -speed[m][negative], forward = 0. Target speed = prop + forward, limited to
 *        32 bits.
 *   b    Speed control: (share * speed[m][direction of share]) div 10000; 0 if share is 0.
 *   c    In `stopping` the target speed is 0 and neither a nor b is worked out (so no joint is flagged as held).
 * L6   Limits of the target speed v. Every step lowers |v| or leaves it; the sign stays or v becomes 0.
 *   a    |v| = min(|v|, speed[m][direction of v]).
 *   b    Not continuous: room = soft_stop[positive] - larger position for positive v, smaller position - soft_stop[negative]
 *        for negative v. If room <= 0: 0 (beyond a soft stop only motion back is allowed). Else |v| = min(|v|,
 *        brake[direction](room)).
 *   c    Coupled stops, machine-wide, after a and b are done for every joint, in the table's order. A coupled stop has two
 *        joints A and B (neither continuous), weights wA and wB in thousandths (not 0), a limit and a braking curve. Position
 *        qi of its joint i: the larger position for a positive weight, the smaller one for a negative. room = floor((limit *
 *        1000 - wA * qA - wB * qB) / 1000), limited to 32 bits; cap = 0 if room <= 0, else brake(room). closing_i = wi * v_i if that
 *        is above 0, else 0 (motion away is not set against motion towards). sum = closing_A + closing_B, in thousandths. If sum >
 *        cap * 1000: factor = floor(cap * 1000 * 65536 / sum), and for each of the two joints with closing_i > 0: |v_i| =
 *        floor(|v_i| * factor / 65536). So one constraint brakes both joints, and beyond it only motion back is allowed.
 *   d    Authority: |v| = floor(|v| * authority / 65536).
 *   f    (Worked out between d and e.) Tip speed: in the reduced mode, if the table's tip limit is not 0: sum = the 64-bit sum
 *        over joints of |v| * reach_mm. If sum > tip limit: factor = floor(tip limit * 65536 / sum), and for every joint
 *        with reach_mm above 0 |v| = floor(|v| * factor / 65536).
 *   e    Share of the pump: need = -floor(-(|v| * k) / 65536), k = flow_per_speed[direction of v](p), need limited to 32 bits
 *        (0 if v is 0). Sum = the 64-bit sum over joints of need * flow_full_ml_min; supply = pump_ml_min * 10000.
 *        If sum > supply: factor = floor(supply * 65536 / sum), else 65536. |v| = floor(|v| * factor / 65536). A joint scaled to below
 *        its crack flow stands until the others ask for less; it is not pushed.
 * L7   Ramp. w is the joint's speed of the tick before, t the limited target speed, A = accelerate, D = decelerate
 *      (stop_mdeg_s in `stopping`).
 *   a    w > 0: t >= w: min(t, w + A); 0 <= t < w: max(t, w - D); t < 0: max(0, w - D). w < 0: the mirror image.
 *   b    w = 0: if t is not 0, the last direction is not 0 (none) and differs from the sign of t, and zero ticks < reversal_ticks: 0.
 *        Else clamp(t, -A, A).
 *   c    Soft-stop cap on the result w, not continuous: room and brake as in L6b, downward only, at once.
 *   f    (Worked out between c and d, when a, b and c are done for every joint.) Coupled stops: L6c with w in place of v,
 *        downward only, at once.
 *   g    (After f, before d.) Tip speed: in the reduced mode, if the tip limit is not 0 and the sum over joints of |w| *
 *        reach_mm is above it: every joint with reach_mm above 0 whose |w| is more than its |w of the tick before| takes that
 *        magnitude, with the sign of w. (So while one joint slows, none gains; after a drop of mode all ramp down.)
 *   d    Flow: k as in L6e for the direction of w; flow = floor(|w| * k / 65536); if flow > flow_max[direction]: flow =
 *        flow_max[direction], |w| = min(|w|, floor(flow_max[direction] * 65536 / k)); if |w| is then 0, flow = 0.
 *   e    w is the state for the next tick. w = 0: zero ticks count up; else zero ticks = 0 and last direction = sign(w).
 *        In states other than running and stopping w = 0 and zero ticks count up.
 * L8   Valve. flow = 0: drive 0. Else drive = min(drive_max, valve[direction of w](flow)), times the sign of w, times polarity.
 *      The drive jumps over the deadband to the curve's first value; it never rests inside it.
 * L9   Watch. Machine first, then joints 0, 1, .. in order; within a joint in the order written; the first one found is the fault
 *      of this tick. Causes: table.h's numbers are not used here; see law_cause_t.
 *   a    Late: elapsed_us > tick_us + late_us. Assertion: one has failed since start. Discrepancy (L10b).
 *   b    Joint, in this order: operator sensor's counts (bad counter of a track at bad_ticks), operator disagreement,
 *        position counts, position disagreement.
 *   c    This and d only when the state of the tick before is matching, running or stopping; else the busy counter is 0, and
 *        the quiet counter is 0 too unless e applies. Moved without drive: if the drive of the tick before was 0 the quiet counter counts up, else it is
 *        0. When it is exactly settle_ticks, anchor = p. When it is more: |difference(p, anchor)| > still_mdeg is a
 *        fault; else when it is settle_ticks + still_ticks, it goes back to settle_ticks and anchor = p.
 *   d    Drive without motion: if the flow of the tick before was at least stall_flow_e4: if the busy counter is 0, its anchor =
 *        p; the busy counter counts up; if difference(p, its anchor), times sign(w of the tick before), is >= stall_mdeg the
 *        busy counter = 0, else if it is >= stall_ticks: fault. If the flow was less, the busy counter = 0. Only motion in the
 *        direction that is asked for counts: a joint that runs the other way (a stuck spool, a valve or a sensor connected the
 *        wrong way round) is a fault too. (The direction cannot change while the counter runs: a reversal passes through w = 0.)
 *   e    Only when the state of the tick before is fault with latched cause moved or stalled, for every joint: if |difference(p, quiet anchor)| >
 *        still_mdeg: quiet anchor = p and the quiet counter is 0; else the quiet counter counts up. While it is less than
 *        still_ticks the joint has not come to rest: a fault of this tick, cause moved (it keeps L10n from going on).
 * L10  Safety. Digital inputs: stop channels 1 and 2 (1 = closed = healthy), enabling device (1 = held), reset button, mode
 *      (1 = full speed asked), service key. One transition at most in a tick.
 *   a    stop open = not (channel 1 closed and channel 2 closed).
 *   b    Discrepancy: channels differ: counter rises by one, up to discrepancy_ticks, else it is 0. At discrepancy_ticks it is a
 *        fault and "both must open" is set; it is cleared in a tick in which both are open. While it is set the fault cause is present.
 *        This and c run in every state, powering_up too.
 *   c    Reset: while pressed, the press counter counts up (it starts at 65535, so a button held at start means nothing).
 *        In the tick in which it is let go, the reset edge is true if reset_min_ticks <= press counter <= reset_max_ticks; then the
 *        counter is 0.
 *   d    powering_up: when every sensor of every joint is ready: emergency_stop (cause: stop) if stop open, else stopped, with
 *        permit and seen-released cleared. Faults are not looked at in powering_up. Watches of L9 count as not present.
 *   e    Any other state but fault: a fault of this tick: `fault`, its cause and joint latched. This comes before all that follows.
 *   f    stopped or matching, stop open: emergency_stop.
 *   g    running, stop open: category 0: emergency_stop. Category 1: stopping, cause stop, state ticks 0.
 *   h    stopping, stop open: category 0: emergency_stop. Category 1 and the cause is not yet stop: cause = stop, state ticks = 0.
 *        (Then i goes on in the same tick.)
 *   i    stopping: leave if every w of the tick before is 0 or state ticks >= the deadline (stop_ticks for cause stop,
 *        release_ticks for cause released), so that stopping lasts deadline + 1 ticks at most: to emergency_stop
 *        for cause stop, to stopped for cause released. A device pressed again while stopping changes nothing. State ticks count up in every tick that stays.
 *   j    running: enabling device not held: stopping, cause released.
 *   k    matching: enabling device not held: stopped.
 *   l    stopped: device not held: seen-released is set. If also the reset edge is true: permit is set. If permit, seen-released,
 *        device held and service key off: matching.
 *        (In m and n an edge that comes while something else is still missing is spent, not remembered.)
 *   m    emergency_stop: stop closed, device not held, reset edge: stopped with permit and seen-released set.
 *   n    fault: no fault present in this tick, every sensor of every joint ready (so one count that looks right is not enough),
 *        stop closed, device not held, reset edge: stopped with permit and seen-released set, the latched cause cleared to none.
 *   o    matching: if state ticks, before this tick is counted, are >= load_ticks: if every joint is matched the match counter
 *        counts up, else it is 0; at match_ticks: running. State ticks count up in every tick that stays. A follow joint is
 *        matched when |difference(target, p)| <= match_window_mdeg, a speed joint when its lever is at rest.
 *   p    Entering stopped (from anywhere but emergency_stop and fault): seen-released cleared; permit cleared only when coming from
 *        powering_up. Entering emergency_stop or fault: permit and seen-released cleared. Entering any state: state ticks and match
 *        counter 0. Entering fault: for every joint the quiet counter is 0 and the quiet anchor = p. Entering running: authority 0; each later tick of running: authority = min(65536, authority +
 *        authority_step_q16). Authority keeps its value in stopping and is 0 in every other state. Cause is kept in
 *        stopping, emergency_stop and fault and is none in the others.
 *   q    Mode: entering matching: as asked. In matching, running and stopping: falls to reduced at once when reduced is asked; never
 *        rises. In other states: as asked.
 *   r    Enable output: on in matching, running and stopping, else off.
 *   s    A new table starts everything anew (law_start): powering_up.
 */
#ifndef LAW_H
#define LAW_H
#include "core.h"
#include "table.h"

typedef enum {
    LAW_POWERING_UP = 0,
    LAW_STOPPED,
    LAW_MATCHING,
    LAW_RUNNING,
    LAW_STOPPING,
    LAW_EMERGENCY_STOP,
    LAW_FAULT,
    LAW_STATES
} law_state_name_t;

typedef enum {
    LAW_CAUSE_NONE = 0,
    LAW_CAUSE_RELEASED,              /* enabling device let go */
    LAW_CAUSE_STOP,                  /* emergency stop */
    LAW_CAUSE_LATE,                  /* 3.. are faults */
    LAW_CAUSE_ASSERTION,
    LAW_CAUSE_DISCREPANCY,
    LAW_CAUSE_OPERATOR_COUNTS,
    LAW_CAUSE_OPERATOR_DISAGREEMENT,
    LAW_CAUSE_POSITION_COUNTS,
    LAW_CAUSE_POSITION_DISAGREEMENT,
    LAW_CAUSE_MOVED,                 /* moved without drive */
    LAW_CAUSE_STALLED,               /* drive without motion that way */
    LAW_CAUSES
} law_cause_t;

#define LAW_NO_JOINT 255

typedef enum { /* bits of law_in_t.digital */
    LAW_IN_STOP_1 = 1,
    LAW_IN_STOP_2 = 2,
    LAW_IN_ENABLING = 4,
    LAW_IN_RESET = 8,
    LAW_IN_MODE_FULL = 16,
    LAW_IN_KEY = 32
} law_digital_t;

typedef enum { /* bits of law_joint_out_t.flags */
    LAW_FLAG_AT_LIMIT = 1,   /* L6a lowered the target speed */
    LAW_FLAG_BRAKED = 2,     /* L6b, L6c, L7c or L7f lowered it */
    LAW_FLAG_SHARED = 4,     /* L6e lowered it */
    LAW_FLAG_HELD = 8,       /* L5a: gap too wide */
    LAW_FLAG_FLOW = 16,      /* L7d clamped the flow */
    LAW_FLAG_MATCHED = 32,   /* L10o, worked out in every state */
    LAW_FLAG_TIP = 64        /* L6f or L7g lowered it */
} law_flag_t;

typedef struct {
    uint32_t elapsed_us; /* since the tick before; the platform measures it */
    uint32_t digital;    /* law_digital_t */
    uint16_t counts[TABLE_INPUTS_MAX];
} law_in_t;

typedef struct {
    int32_t target;        /* mdeg, or share e4 */
    int32_t position_mdeg;
    int32_t wanted_mdeg_s; /* after L6 */
    int32_t speed_mdeg_s;  /* after L7 */
    int32_t flow_e4;
    int32_t drive_e4;
    uint32_t flags;
} law_joint_out_t;

typedef struct {
    uint32_t state, cause, cause_joint, mode; /* cause_joint: LAW_NO_JOINT when it is the machine's */
    uint32_t enable;
    int32_t authority_q16, share_q16;
    uint32_t waits_for, waits_joint; /* law_waits_t, what the state needs next; for people, not part of any decision */
    law_joint_out_t joint[TABLE_JOINTS_MAX];
} law_out_t;

typedef enum {
    LAW_WAITS_NOTHING = 0,      /* running */
    LAW_WAITS_SENSORS,          /* of waits_joint: counts inside their windows, in agreement */
    LAW_WAITS_STOP_CLOSED,
    LAW_WAITS_BOTH_OPEN,        /* after a discrepancy: press the emergency stop once */
    LAW_WAITS_CAUSE_GONE,
    LAW_WAITS_RELEASE,          /* let go of the enabling device */
    LAW_WAITS_RESET,            /* press reset and let it go */
    LAW_WAITS_KEY_OFF,
    LAW_WAITS_PRESS,            /* press the enabling device */
    LAW_WAITS_PUMP,
    LAW_WAITS_OPERATOR,         /* waits_joint: move to the arm's pose, or lever to rest */
    LAW_WAITS_STANDSTILL,
    LAW_WAITS_COUNT
} law_waits_t;

typedef struct {
    uint16_t older[2]; /* [0] the newer */
    bool primed;
    int32_t last_value, older_value; /* the curve at older[0] and at older[1] */
    int32_t value;
    uint32_t bad, good;
} law_track_state_t;

typedef struct {
    law_track_state_t track[2];
    uint32_t disagreement;
    int32_t value, larger, smaller;
} law_sensor_state_t;

typedef struct {
    law_sensor_state_t operator_sensor, position_sensor;
    bool filter_started, at_rest, matched;
    int64_t filter_q16, speed_filter_q16;
    int32_t demand, target, operator_speed_mdeg_s;
    int32_t speed_mdeg_s, last_direction;
    uint32_t zero_ticks;
    int32_t flow_e4, drive_e4; /* of the tick before */
    uint32_t quiet_ticks, busy_ticks;
    int32_t quiet_anchor_mdeg, busy_anchor_mdeg;
} law_joint_state_t;

typedef struct {
    uint32_t state, cause, cause_joint, mode;
    bool permit, seen_released, both_must_open;
    uint32_t discrepancy, press_ticks, state_ticks, match_ticks;
    int32_t authority_q16;
    law_joint_state_t joint[TABLE_JOINTS_MAX];
} law_state_t;

/* Everything as at power-up. Also after a new table. */
void law_start(law_state_t *state);

/* One tick. `table` is valid (table_parse), `state` was started with law_start. */
void law_step(const table_t *table, law_state_t *state, const law_in_t *in, law_out_t *out);

/* True where a table may be taken: nothing moves and nothing may move (state powering_up, stopped, emergency_stop or fault). */
/*@ requires \valid_read(state);
    assigns \nothing;
    ensures exact: \result <==> state->state != LAW_MATCHING && state->state != LAW_RUNNING && state->state != LAW_STOPPING; */
bool law_at_standstill(const law_state_t *state);

#endif
