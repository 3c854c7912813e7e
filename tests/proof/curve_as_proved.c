/* curve_at for Eva, as the `within` of its contract has it (curve.h), which WP proves: any value between the least and the largest of the
 * points'. That the points are in order is what the loop of the real one needs, and Eva knows no order of two numbers. */
#include "__fc_builtin.h"

#include "curve.h"

int32_t curve_at(const curve_t *curve, int32_t x)
{
    (void)x;
    int32_t least = curve->y[0];
    int32_t most = curve->y[0];
    /*@ loop unroll CURVE_POINTS_MAX; */
    for (int32_t i = 1; i < CURVE_POINTS_MAX; i++) {
        least = curve->y[i] < least ? curve->y[i] : least;
        most = curve->y[i] > most ? curve->y[i] : most;
    }
    int32_t value = Frama_C_int_interval(INT32_MIN, INT32_MAX);
    value = value < least ? least : value;
    return value > most ? most : value;
}
