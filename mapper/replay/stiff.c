/* One joint while it is being stopped, with the oil's pressures in it: the compiled twin of stiff.py.
 *
 * stiff.py is the definition and explains every line; this file does the same operations in the same order, so that the
 * two agree to the last bit (compile with -ffp-contract=off; of the library only cos, sqrt, floor and fabs are called).
 * Host only: the core never sees this file, which is why it may use floating point.
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>

#define STIFF_GRAVITY_MAX 128
#define STIFF_ROW 6 /* angle, speed, two pressures, supply, share */
#define STIFF_PI 3.14159265358979323846
#define STIFF_LEVER_LEAST 0.001
#define STIFF_SHUT 1e-4
#define STIFF_NEARLY_SHUT 1e-2

typedef struct {
    double area, way, length_at, dead, least;
    double shut, ratio, range, seat_edge, fill, leak;
    double yield_at[2], yield_slope[2]; /* the one that opens first comes first */
    int32_t yield_bit[2];
    int32_t seat, spare; /* 0 none, 1 counterbalance, 2 pilot check */
} stiff_side_t;

typedef struct {
    int32_t cylinder, continuous, compensated, load_sensing, steps_per_tick, dead_steps, gravity_count, spare;
    double step, alpha_half, alpha, full_flow, edge, soft2;
    double product, squares, included, sense;
    double cross_leak, bulk, damping;
    double supply, margin, tank, dump, dump_rate;
    double driving, overrunning, friction_speed, inertia, stands, brake, brake_speed;
    double gravity_at, gravity_per_rad, lower, upper;
    double gravity[STIFF_GRAVITY_MAX];
    stiff_side_t side[2];
} stiff_t;

typedef struct {
    double q, w, e[2];
} stiff_motion_t;

typedef struct {
    double share, factor, level, brake;
} stiff_valve_t;

typedef struct {
    double dw, de[2], p[2], d[2], supply;
} stiff_oil_t;

typedef struct { /* one stop: what it starts from, what it is told, and how it went */
    const stiff_t *joint;
    const double *share;  /* ticks + 1 */
    const double *factor; /* ticks */
    double *rows;         /* ticks x STIFF_ROW */
    stiff_motion_t now;
    double lag, peak[2], highest, lowest, turned, moving;
    int32_t ticks, off_tick, quiet_ticks, happened, stood, spare;
} stiff_run_t;

enum { STIFF_VOID = 4, STIFF_HARD_STOP = 8 };

size_t stiff_bytes(int32_t what);
void stiff_run(stiff_run_t *run);

/* For the binding: the layouts must be those that _stiff_library.py builds. */
size_t stiff_bytes(int32_t what)
{
    const size_t sizes[3] = {sizeof(stiff_t), sizeof(stiff_run_t), sizeof(stiff_side_t)};
    return (what >= 0 && what < 3) ? sizes[what] : 0;
}

static double root(double drop, double soft2)
{
    return drop / sqrt(sqrt(drop * drop + soft2));
}

static double volume(const stiff_side_t *side, double length)
{
    const double room = side->dead + side->area * (side->way * (length - side->length_at));
    return room > side->least ? room : side->least;
}

static void geometry(const stiff_t *joint, double q, double *area, double *room)
{
    const stiff_side_t *side = joint->side;
    double cosine;
    double length;
    double lever;
    if (joint->cylinder == 0) {
        area[0] = side[0].area;
        area[1] = side[1].area;
        room[0] = side[0].dead;
        room[1] = side[1].dead;
        return;
    }
    cosine = cos(joint->included + joint->sense * q);
    length = sqrt(joint->squares - 2.0 * joint->product * cosine);
    lever = joint->product * sqrt(1.0 - cosine * cosine) / length;
    if (lever < STIFF_LEVER_LEAST) {
        lever = STIFF_LEVER_LEAST;
    }
    area[0] = side[0].area * lever;
    area[1] = side[1].area * lever;
    room[0] = volume(&side[0], length);
    room[1] = volume(&side[1], length);
}

static double gravity(const stiff_t *joint, double q)
{
    const int32_t last = joint->gravity_count - 1;
    double at = q;
    double x;
    double low;
    int32_t node;
    if (joint->continuous != 0) {
        at = at - 2.0 * STIFF_PI * floor((at + STIFF_PI) / (2.0 * STIFF_PI));
    }
    x = (at - joint->gravity_at) * joint->gravity_per_rad;
    if (x <= 0.0) {
        return joint->gravity[0];
    }
    if (x >= (double)last) {
        return joint->gravity[last];
    }
    node = (int32_t)x;
    low = joint->gravity[node];
    return low + (x - (double)node) * (joint->gravity[node + 1] - low);
}

static double supply_pa(const stiff_t *joint, double inlet, double level)
{
    double full = joint->load_sensing != 0 ? inlet + joint->margin : joint->supply;
    if (full > joint->supply) {
        full = joint->supply;
    }
    return joint->dump + (full - joint->dump) * level;
}

static double inlet_flow(const stiff_t *joint, const stiff_side_t *side, double opening, double drop)
{
    double flow = opening * joint->edge * root(drop, joint->soft2);
    if (joint->compensated != 0 && flow > opening * joint->full_flow) {
        flow = opening * joint->full_flow;
    }
    if (flow < 0.0 && (joint->compensated != 0 || side->seat != 0)) {
        flow = 0.0;
    }
    return flow;
}

static double outlet_flow(const stiff_t *joint, int32_t s, double opening, const double *p)
{
    const stiff_side_t *side = &joint->side[s];
    const double drop = p[s] - joint->tank;
    const double pilot = p[1 - s];
    double edge = opening * joint->edge;
    if (side->seat != 0 && drop > 0.0) {
        double over;
        double seat;
        if (side->seat == 1) {
            over = p[s] + side->ratio * pilot - side->shut;
        } else {
            over = side->ratio * (pilot - joint->tank) - drop;
        }
        if (over <= 0.0) {
            return 0.0;
        }
        seat = over >= side->range ? side->seat_edge : side->seat_edge * over / side->range;
        edge = edge * seat / sqrt(edge * edge + seat * seat);
    }
    return edge * root(drop, joint->soft2);
}

static double standing_flow(const stiff_t *joint, const stiff_side_t *side, double p)
{
    double flow = side->leak * (joint->tank - p);
    if (p < joint->tank) {
        flow = flow + side->fill * root(joint->tank - p, joint->soft2);
    }
    return flow;
}

static void squeeze(const stiff_t *joint, int32_t s, double room, double flow, stiff_oil_t *oil)
{
    const stiff_side_t *side = &joint->side[s];
    const double p = oil->p[s];
    const double per_flow = joint->damping * (joint->bulk / room);
    double de = flow;
    if (p + per_flow * de > side->yield_at[0]) {
        double part = flow - side->yield_slope[0] * (p - side->yield_at[0]);
        de = part / (1.0 + side->yield_slope[0] * per_flow);
        if (p + per_flow * de > side->yield_at[1]) {
            part = part - side->yield_slope[1] * (p - side->yield_at[1]);
            de = part / (1.0 + (side->yield_slope[0] + side->yield_slope[1]) * per_flow);
        }
    }
    oil->d[s] = per_flow * de >= -p ? per_flow * de : -p;
    if (per_flow * de > p) {
        de = flow;
        for (int32_t i = 0; i < 2; i++) {
            if (p + p > side->yield_at[i]) {
                de = de - side->yield_slope[i] * (p + p - side->yield_at[i]);
            }
        }
        oil->d[s] = p;
    }
    oil->de[s] = de;
}

static void slopes(const stiff_t *joint, const stiff_motion_t *now, const stiff_valve_t *valve, stiff_oil_t *oil)
{
    double area[2];
    double room[2];
    double flow[2];
    double net;
    double loss;
    double rub;
    geometry(joint, now->q, area, room);
    oil->p[0] = now->e[0] > 0.0 ? joint->bulk * now->e[0] / room[0] : 0.0;
    oil->p[1] = now->e[1] > 0.0 ? joint->bulk * now->e[1] / room[1] : 0.0;
    flow[0] = standing_flow(joint, &joint->side[0], oil->p[0]) - joint->cross_leak * (oil->p[0] - oil->p[1]);
    flow[1] = standing_flow(joint, &joint->side[1], oil->p[1]) + joint->cross_leak * (oil->p[0] - oil->p[1]);
    oil->supply = supply_pa(joint, valve->share < 0.0 ? oil->p[1] : oil->p[0], valve->level);
    if (valve->share != 0.0) {
        const int32_t in = valve->share > 0.0 ? 0 : 1;
        const double opening = fabs(valve->share);
        flow[in] = flow[in] + valve->factor * inlet_flow(joint, &joint->side[in], opening, oil->supply - oil->p[in]);
        flow[1 - in] = flow[1 - in] - outlet_flow(joint, 1 - in, opening, oil->p);
    }
    squeeze(joint, 0, room[0], flow[0] - area[0] * now->w, oil);
    squeeze(joint, 1, room[1], flow[1] + area[1] * now->w, oil);
    net = area[0] * (oil->p[0] + oil->d[0]) - area[1] * (oil->p[1] + oil->d[1]);
    loss = net * now->w > 0.0 ? joint->driving : joint->overrunning;
    rub = loss * fabs(net) + valve->brake;
    rub = rub * (now->w / sqrt(now->w * now->w + joint->friction_speed * joint->friction_speed));
    oil->dw = (net - rub + gravity(joint, now->q)) / joint->inertia;
}

static stiff_motion_t moved(const stiff_motion_t *now, double w, const stiff_oil_t *oil, double h)
{
    stiff_motion_t next;
    next.q = now->q + h * w;
    next.w = now->w + h * oil->dw;
    next.e[0] = now->e[0] + h * oil->de[0];
    next.e[1] = now->e[1] + h * oil->de[1];
    return next;
}

static double level_at(const stiff_t *joint, double since)
{
    double level = 1.0;
    if (since > 0.0) {
        level = 1.0 - joint->dump_rate * since;
        if (level < 0.0) {
            level = 0.0;
        }
    }
    return level;
}

/* One step; `valve` is at its start, middle and end. */
static void one_step(const stiff_t *joint, stiff_motion_t *now, const stiff_valve_t *valve, stiff_oil_t *k1)
{
    const double h = joint->step;
    const double sixth = h / 6.0;
    stiff_oil_t k2;
    stiff_oil_t k3;
    stiff_oil_t k4;
    stiff_motion_t at2;
    stiff_motion_t at3;
    stiff_motion_t at4;
    slopes(joint, now, &valve[0], k1);
    at2 = moved(now, now->w, k1, 0.5 * h);
    slopes(joint, &at2, &valve[1], &k2);
    at3 = moved(now, at2.w, &k2, 0.5 * h);
    slopes(joint, &at3, &valve[1], &k3);
    at4 = moved(now, at3.w, &k3, h);
    slopes(joint, &at4, &valve[2], &k4);
    now->q = now->q + sixth * (now->w + 2.0 * at2.w + 2.0 * at3.w + at4.w);
    now->w = now->w + sixth * (k1->dw + 2.0 * k2.dw + 2.0 * k3.dw + k4.dw);
    now->e[0] = now->e[0] + sixth * (k1->de[0] + 2.0 * k2.de[0] + 2.0 * k3.de[0] + k4.de[0]);
    now->e[1] = now->e[1] + sixth * (k1->de[1] + 2.0 * k2.de[1] + 2.0 * k3.de[1] + k4.de[1]);
}

static int32_t held(const stiff_t *joint, stiff_motion_t *now)
{
    double area[2];
    double room[2];
    double edge;
    if (joint->continuous != 0 || (now->q >= joint->lower && now->q <= joint->upper)) {
        return 0;
    }
    edge = now->q > joint->upper ? joint->upper : joint->lower;
    geometry(joint, edge, area, room);
    now->e[0] = now->e[0] + area[0] * (now->q - edge);
    now->e[1] = now->e[1] - area[1] * (now->q - edge);
    now->q = edge;
    if ((now->w > 0.0) == (edge == joint->upper)) {
        now->w = 0.0;
    }
    return 1;
}

static void note(stiff_run_t *run, const stiff_oil_t *oil)
{
    for (int32_t s = 0; s < 2; s++) {
        const stiff_side_t *side = &run->joint->side[s];
        const int32_t shift = 8 * s;
        const double whole = oil->p[s] + oil->d[s];
        if (whole > run->peak[s]) {
            run->peak[s] = whole;
        }
        for (int32_t i = 0; i < 2; i++) {
            if (whole > side->yield_at[i]) {
                run->happened |= side->yield_bit[i] << shift;
            }
        }
        if (oil->p[s] == 0.0) {
            run->happened |= STIFF_VOID << shift;
        }
    }
}

/* What the joint has come to at the end of a step. */
static void follow(stiff_run_t *run, double start_speed, int64_t step, int64_t *moving)
{
    const stiff_t *joint = run->joint;
    const stiff_motion_t *now = &run->now;
    if (run->turned < 0.0 && now->w * start_speed <= 0.0) {
        run->turned = (double)step * joint->step;
    }
    if (now->w >= joint->stands || now->w <= -joint->stands) {
        *moving = step;
    }
    if (now->q > run->highest) {
        run->highest = now->q;
    }
    if (now->q < run->lowest) {
        run->lowest = now->q;
    }
}

static int32_t within(double lag, double most)
{
    return lag > -most && lag < most;
}

/* What one step is told. */
static void tell(const stiff_run_t *run, int64_t step, double target, stiff_valve_t *valve)
{
    const stiff_t *joint = run->joint;
    const double since = (double)(step - (int64_t)run->off_tick * joint->steps_per_tick) * joint->step;
    const int32_t biting = joint->brake > 0.0 && target == 0.0 && within(run->lag, STIFF_NEARLY_SHUT) != 0;
    valve[0].share = run->lag;
    valve[1].share = run->lag + joint->alpha_half * (target - run->lag);
    valve[2].share = run->lag + joint->alpha * (target - run->lag);
    valve[0].level = level_at(joint, since);
    valve[1].level = level_at(joint, since + 0.5 * joint->step);
    valve[2].level = level_at(joint, since + joint->step);
    for (int32_t i = 0; i < 3; i++) {
        valve[i].factor = run->factor[step / joint->steps_per_tick];
        valve[i].brake = biting != 0 ? joint->brake : 0.0;
    }
}

static void write_row(const stiff_run_t *run, double supply, double *row)
{
    double area[2];
    double room[2];
    geometry(run->joint, run->now.q, area, room);
    row[0] = run->now.q;
    row[1] = run->now.w;
    row[2] = run->now.e[0] > 0.0 ? run->joint->bulk * run->now.e[0] / room[0] : 0.0;
    row[3] = run->now.e[1] > 0.0 ? run->joint->bulk * run->now.e[1] / room[1] : 0.0;
    row[4] = supply;
    row[5] = run->lag;
}

/* The whole stop. On entry `ticks` says how many there may be, on return how many there were. */
void stiff_run(stiff_run_t *run)
{
    const stiff_t *joint = run->joint;
    const int32_t count = joint->steps_per_tick;
    const int32_t late = joint->dead_steps % count;
    const int64_t quiet = (int64_t)run->quiet_ticks * count;
    const double start_speed = run->now.w;
    const int32_t ticks = run->ticks;
    int64_t step = 0;
    int64_t moving = 0;
    for (int32_t tick = 0; tick < ticks && run->stood == 0; tick++) {
        stiff_oil_t oil;
        double target = 0.0;
        oil.supply = 0.0;
        for (int32_t part = 0; part < count; part++) {
            stiff_valve_t valve[3];
            target = run->share[part < late ? tick : tick + 1];
            tell(run, step, target, valve);
            one_step(joint, &run->now, valve, &oil);
            note(run, &oil);
            run->lag = valve[2].share;
            step++;
            if (held(joint, &run->now) != 0) {
                run->happened |= STIFF_HARD_STOP;
            }
            if (valve[0].brake > 0.0 && run->now.w > -joint->brake_speed && run->now.w < joint->brake_speed) {
                run->now.w = 0.0;
            }
            follow(run, start_speed, step, &moving);
        }
        write_row(run, oil.supply, run->rows + (size_t)tick * STIFF_ROW);
        run->ticks = tick + 1;
        run->stood = target == 0.0 && within(run->lag, STIFF_SHUT) != 0 && step - moving >= quiet;
    }
    run->moving = (double)moving * joint->step;
}
