/* The table's curves read without the core's code: in doubles, and backwards. */
#include "search_parts.h"

double search_between(double value, double lower, double upper)
{
    return value < lower ? lower : (value > upper ? upper : value);
}

double search_size(double value)
{
    return value < 0.0 ? -value : value;
}

double search_wrap(double angle_mdeg)
{
    if (angle_mdeg >= 180000.0) {
        return angle_mdeg - 360000.0;
    }
    return angle_mdeg < -180000.0 ? angle_mdeg + 360000.0 : angle_mdeg;
}

double search_curve_at(const curve_t *curve, double x)
{
    int32_t i = 0;
    if (x <= (double)curve->x[0]) {
        return (double)curve->y[0];
    }
    if (x >= (double)curve->x[curve->count - 1]) {
        return (double)curve->y[curve->count - 1];
    }
    while (x >= (double)curve->x[i + 1]) {
        i++;
    }
    const double share = (x - (double)curve->x[i]) / (double)(curve->x[i + 1] - curve->x[i]);
    return (double)curve->y[i] + share * (double)(curve->y[i + 1] - curve->y[i]);
}

double search_curve_inverse(const curve_t *curve, double y)
{
    const int32_t last = curve->count - 1;
    const double sign = curve->y[last] < curve->y[0] ? -1.0 : 1.0; /* a falling curve is a rising one upside down */
    int32_t i = 0;
    if (sign * y <= sign * (double)curve->y[0]) {
        return (double)curve->x[0];
    }
    if (sign * y >= sign * (double)curve->y[last]) {
        return (double)curve->x[last];
    }
    while (sign * y >= sign * (double)curve->y[i + 1]) {
        i++;
    }
    const double share = (y - (double)curve->y[i]) / (double)(curve->y[i + 1] - curve->y[i]); /* rises there, so not 0 / 0 */
    return (double)curve->x[i] + share * (double)(curve->x[i + 1] - curve->x[i]);
}

/* sin(2 pi turns) to a thousandth: a parabola a half turn, straightened by its own square. */
double search_sine(double turns)
{
    const double whole = (double)(int64_t)turns;
    const double rest = turns - whole;
    const double part = rest < 0.0 ? rest + 1.0 : rest;
    const double half = part < 0.5 ? part : part - 0.5;
    const double hump = 8.0 * half * (1.0 - 2.0 * half);
    const double smooth = 0.225 * (hump * hump - hump) + hump;
    return part < 0.5 ? smooth : -smooth;
}
