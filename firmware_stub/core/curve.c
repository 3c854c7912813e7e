#include "curve.h"

static bool slope_of(const curve_t *curve, int32_t index, int32_t *slope_q16)
{
    const int64_t rise = (int64_t)curve->y[index + 1] - curve->y[index];
    const int64_t run = (int64_t)curve->x[index + 1] - curve->x[index];
    if (run <= 0) {
        return false;
    }
    const int64_t product = rise * CORE_Q16;
    int64_t slope = product / run;
    if (product < 0 && slope * run != product) {
        slope -= 1;
    }
    if (slope > INT32_MAX || slope < INT32_MIN) {
        return false;
    }
    CORE_ASSERT(slope * run <= product); /* floor */
    *slope_q16 = (int32_t)slope;
    return true;
}

bool curve_prepare(curve_t *curve)
{
    if (curve->count < 2 || curve->count > CURVE_POINTS_MAX) {
        return false;
    }
    for (int32_t i = 0; i + 1 < curve->count; i++) {
        if (!slope_of(curve, i, &curve->slope_q16[i])) {
            return false;
        }
    }
    return true;
}

int32_t curve_at(const curve_t *curve, int32_t x)
{
    const int32_t last = curve->count - 1;
    CORE_ASSERT(last >= 1 && last < CURVE_POINTS_MAX);
    if (x <= curve->x[0]) {
        return curve->y[0];
    }
    if (x >= curve->x[last]) {
        return curve->y[last];
    }
    int32_t i = 0;
    while (i + 1 < last && x >= curve->x[i + 1]) {
        i += 1;
    }
    CORE_ASSERT(x >= curve->x[i] && x < curve->x[i + 1]);
    const int32_t y0 = curve->y[i];
    const int32_t y1 = curve->y[i + 1];
    const int64_t value = y0 + core_floor_q16(((int64_t)x - curve->x[i]) * curve->slope_q16[i]);
    return core_clamp(core_narrow(value), y0 < y1 ? y0 : y1, y0 < y1 ? y1 : y0);
}
