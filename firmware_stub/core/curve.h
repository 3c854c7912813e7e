/* Piecewise-linear curves in integers.
 *
 * INV-CURVE-1  Outside its points a curve holds its end values; it never extrapolates.
 * INV-CURVE-2  Between two points the value lies between their two values, ends included.
 * INV-CURVE-3  A curve whose point values rise (fall) never falls (rises) anywhere.
 */
#ifndef CURVE_H
#define CURVE_H
#include "core.h"

#define CURVE_POINTS_MAX 12

typedef struct {
    int32_t x[CURVE_POINTS_MAX];
    int32_t y[CURVE_POINTS_MAX];
    int32_t slope_q16[CURVE_POINTS_MAX]; /* of segment i, from point i to point i + 1 */
    int32_t count;                       /* 2 .. CURVE_POINTS_MAX */
} curve_t;

/*@ predicate curve_sized(curve_t *curve) = 2 <= curve->count <= CURVE_POINTS_MAX;
    predicate curve_rises(curve_t *curve) =
        curve_sized(curve) && \forall integer i, k; 0 <= i < k < curve->count ==> curve->x[i] < curve->x[k];
    predicate curve_sloped(curve_t *curve, integer i) =
        curve->slope_q16[i] * (curve->x[i + 1] - curve->x[i]) <= 65536 * (curve->y[i + 1] - curve->y[i]) &&
        65536 * (curve->y[i + 1] - curve->y[i]) < (curve->slope_q16[i] + 1) * (curve->x[i + 1] - curve->x[i]);
    predicate curve_ready(curve_t *curve) =
        curve_rises(curve) && \forall integer i; 0 <= i < curve->count - 1 ==> curve_sloped(curve, i);
    predicate curve_within(curve_t *curve, integer least, integer most) =
        \forall integer i; 0 <= i < curve->count ==> least <= curve->y[i] <= most; */
/* Computes the slopes: floor(65536 * (y1 - y0) / (x1 - x0)). False when x does not strictly rise, the count is
 * off, or a slope leaves 32 bits: then the curve must not be used. */
/*@ requires \valid(curve);
    assigns curve->slope_q16[0 .. CURVE_POINTS_MAX - 1];
    ensures usable: \result ==> curve_ready(curve); */
bool curve_prepare(curve_t *curve);

/* Rule L2 of law.h. */
/*@ requires \valid_read(curve) && curve_ready(curve);
    assigns \nothing;
    ensures first: x <= curve->x[0] ==> \result == curve->y[0];
    ensures last: x >= curve->x[curve->count - 1] ==> \result == curve->y[curve->count - 1];
    ensures between: curve->x[0] < x < curve->x[curve->count - 1] ==>
        \exists integer i; 0 <= i < curve->count - 1 && curve->x[i] <= x < curve->x[i + 1] &&
            (curve->y[i] <= \result <= curve->y[i + 1] || curve->y[i + 1] <= \result <= curve->y[i]);
    ensures within: \forall integer least, most; curve_within(curve, least, most) ==> least <= \result <= most; */
int32_t curve_at(const curve_t *curve, int32_t x);

#endif
