#include "curve.h"

/*@ lemma quotient_of_positive: \forall integer a, b; a >= 0 && b > 0 ==> 0 <= (a / b) * b <= a;
    lemma quotient_of_negative: \forall integer a, b; a < 0 && b > 0 ==> a <= (a / b) * b <= 0 && (a / b) * b - b < a;
    lemma product_fits: \forall integer a, b; 0 <= a <= 4294967295 && 0 <= b <= 2147483648 ==> 0 <= a * b <= 9223372034707292160;
    lemma part_of_rise: \forall integer a, b, s; 0 <= a <= b && 0 <= s ==> 0 <= a * s <= s * b; */

/* Shown as a bit vector by tests/proof. */
/*@ admit lemma difference: \forall integer a, b; INT32_MIN <= b < a <= INT32_MAX ==>
        (uint32_t)((uint32_t)a - (uint32_t)b) == a - b; */

/* Steps of the proofs, apart from all that is in sight where they are taken. */
/*@ ghost
    /@ assigns \nothing;
        ensures s == q + 1 ==> q * r == s * r - r; @/
    static void one_less(int64_t s, int64_t q, int64_t r)
    {
    } */
/*@ requires \valid_read(curve) && 0 <= index < CURVE_POINTS_MAX - 1;
    requires \valid(slope_q16) && \separated(slope_q16, &curve->x[index], &curve->x[index + 1], &curve->y[index], &curve->y[index + 1]);
    assigns *slope_q16;
    ensures rises: \result ==> curve->x[index] < curve->x[index + 1];
    ensures floor: \result ==> *slope_q16 * (curve->x[index + 1] - curve->x[index]) <= 65536 * (curve->y[index + 1] - curve->y[index]) &&
        65536 * (curve->y[index + 1] - curve->y[index]) < (*slope_q16 + 1) * (curve->x[index + 1] - curve->x[index]); */
static bool slope_of(const curve_t *curve, int32_t index, int32_t *slope_q16)
{
    const int64_t rise = (int64_t)curve->y[index + 1] - curve->y[index];
    const int64_t run = (int64_t)curve->x[index + 1] - curve->x[index];
    if (run <= 0) {
        return false;
    }
    const int64_t product = rise * CORE_Q16;
    int64_t slope = product / run;
    /*@ assert toward_0: product >= 0 ==> 0 <= slope * run <= product; */
    /*@ assert toward_0_below: product < 0 ==> product <= slope * run <= 0 && slope * run - run < product; */
    /*@ assert otherwise: product >= 0 || slope * run == product ==> slope * run <= product < slope * run + run; */
    /*@ ghost int64_t whole = slope; */
    if (product < 0 && slope * run != product) {
        slope -= 1;
        /*@ assert less: slope * run <= product < slope * run + run; */
    }
    /*@ ghost one_less(whole, slope, run); */
    /*@ assert floored: slope * run <= product < slope * run + run; */
    if (slope > INT32_MAX || slope < INT32_MIN) {
        return false;
    }
    /*@ assert floor: slope * run <= product; */
    CORE_ASSERT(slope * run <= product); /* floor */
    *slope_q16 = (int32_t)slope;
    return true;
}

bool curve_prepare(curve_t *curve)
{
    if (curve->count < 2 || curve->count > CURVE_POINTS_MAX) {
        return false;
    }
    /*@ loop invariant 0 <= i < curve->count;
        loop invariant \forall integer k, m; 0 <= k < m <= i ==> curve->x[k] < curve->x[m];
        loop invariant \forall integer k; 0 <= k < i ==> curve_sloped(curve, k);
        loop assigns i, curve->slope_q16[0 .. CURVE_POINTS_MAX - 1];
        loop variant curve->count - i; */
    for (int32_t i = 0; i + 1 < curve->count; i++) {
        if (!slope_of(curve, i, &curve->slope_q16[i])) {
            return false;
        }
        /*@ assert kept: \forall integer k; 0 <= k < CURVE_POINTS_MAX ==> curve->x[k] == \at(curve->x[k], LoopCurrent) &&
            curve->y[k] == \at(curve->y[k], LoopCurrent); */
        /*@ assert kept_slopes: \forall integer k; 0 <= k < i ==> curve->slope_q16[k] == \at(curve->slope_q16[k], LoopCurrent); */
        /*@ assert step: curve->x[i] < curve->x[i + 1]; */
        /*@ assert sloped_here: curve->slope_q16[i] * (curve->x[i + 1] - curve->x[i]) <=
            65536 * (curve->y[i + 1] - curve->y[i]) < (curve->slope_q16[i] + 1) * (curve->x[i + 1] - curve->x[i]); */
    }
    /*@ assert rises: curve_rises(curve); */
    return true;
}

/*@ ghost
    /@ requires s < 0 && a < b && 65536 * (d - c) < (s + 1) * (b - a);
        assigns \nothing;
        ensures d < c; @/
    static void falls_so_far(int32_t s, int32_t a, int32_t b, int32_t c, int32_t d)
    {
    } */
/*@ ghost
    /@ requires 0 <= s && 0 < e <= r && r == b - a && s * r <= 65536 * (d - c);
        assigns \nothing;
        ensures 0 <= e * s <= 65536 * (d - c); @/
    static void rises_so_far(int32_t s, uint64_t e, int64_t r, int32_t a, int32_t b, int32_t c, int32_t d)
    {
    } */
int32_t curve_at(const curve_t *curve, int32_t x)
{
    const int32_t last = curve->count - 1;
    CORE_ASSERT(last >= 1 && last < CURVE_POINTS_MAX);
    /*@ assert ends: curve->x[0] < curve->x[last]; */
    if (x >= curve->x[last]) {
        /*@ assert end_within: \forall integer least, most; curve_within(curve, least, most) ==> least <= curve->y[last] <= most; */
        return curve->y[last];
    }
    const int32_t *below = curve->x;
    /*@ ghost int32_t at = 0; */
    /*@ loop invariant 0 <= at < last && below == &curve->x[at];
        loop invariant at > 0 ==> x >= curve->x[at] && x > curve->x[0];
        loop assigns at, below;
        loop variant last - at; */
    while (x >= below[1]) { /* ends before `last`, for x lies below its point */
        below += 1;
        /*@ ghost at += 1; */
    }
    const ptrdiff_t i = below - curve->x;
    /*@ assert segment: i == at && curve->x[i] == *below && curve->x[i + 1] == below[1]; */
    /*@ assert not_first: i > 0 ==> x > curve->x[0]; */
    const int32_t y0 = curve->y[i];
    /*@ assert y0_within: \forall integer least, most; curve_within(curve, least, most) ==> least <= y0 <= most; */
    if (x <= *below) { /* below the first point, or at this one */
        return y0;
    }
    const int32_t y1 = curve->y[i + 1];
    /*@ assert place: 0 <= at < last && curve->x[at] < x < curve->x[at + 1] && y0 == curve->y[at] && y1 == curve->y[at + 1]; */
    /*@ assert y1_within: \forall integer least, most; curve_within(curve, least, most) ==> least <= y1 <= most; */
    const int32_t slope = curve->slope_q16[i];
    /*@ assert sloped: slope * (curve->x[i + 1] - curve->x[i]) <= 65536 * (y1 - y0) < (slope + 1) * (curve->x[i + 1] - curve->x[i]); */
    const uint64_t beyond = (uint32_t)x - (uint32_t)*below; /* x is above: exact, however far */
    /*@ assert exact: beyond == x - curve->x[i]; */
    /*@ assert run: 0 < beyond == x - curve->x[i] < curve->x[i + 1] - curve->x[i] <= 4294967295; */
    /*@ assert factor: 0 < beyond <= 4294967295; */
    if (slope >= 0) { /* floor(beyond * slope / 65536) is never above y1 - y0, for the slope was rounded down */
        /*@ assert fits: 0 <= beyond * slope <= 9223372034707292160; */
        /*@ ghost rises_so_far(slope, beyond, (int64_t)curve->x[i + 1] - curve->x[i], curve->x[i], curve->x[i + 1], y0, y1); */
        /*@ assert less: beyond * slope <= 65536 * (y1 - y0); */
        /*@ assert part: 0 <= beyond * slope / 65536 <= y1 - y0; */
        const int32_t value = (int32_t)(y0 + (int64_t)(beyond * (uint32_t)slope / (uint32_t)CORE_Q16));
        /*@ assert risen: y0 <= value <= y1; */
        CORE_ASSERT(value <= y1);
        /*@ assert risen_within: \forall integer least, most; curve_within(curve, least, most) ==> least <= value <= most; */
        return value;
    }
    /*@ ghost falls_so_far(slope, curve->x[i], curve->x[i + 1], y0, y1); */
    /*@ assert falls: y1 < y0; */
    /*@ assert span: (uint32_t)((uint32_t)y0 - (uint32_t)y1) == y0 - y1; */
    const uint64_t down = (beyond * (0u - (uint32_t)slope) + (CORE_Q16 - 1)) / (uint32_t)CORE_Q16; /* floor, of what is below 0 */
    /*@ assert fallen: y1 <= (down < y0 - y1 ? y0 - down : y1) <= y0; */
    return down < (uint32_t)y0 - (uint32_t)y1 ? (int32_t)(y0 - (int64_t)down) : y1;
}
