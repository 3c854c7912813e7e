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

/* Computes the slopes: floor(65536 * (y1 - y0) / (x1 - x0)). False when x does not strictly rise, the count is
 * off, or a slope leaves 32 bits: then the curve must not be used. */
bool curve_prepare(curve_t *curve);

/* Rule L2 of law.h. */
int32_t curve_at(const curve_t *curve, int32_t x);

#endif
