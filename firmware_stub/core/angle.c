#include "law_parts.h"

#define TURN_MDEG 360000
#define HALF_MDEG 180000

int32_t angle_wrap(int32_t angle_mdeg)
{
    CORE_ASSERT(angle_mdeg >= -2 * TURN_MDEG && angle_mdeg <= 2 * TURN_MDEG);
    int32_t angle = angle_mdeg;
    /*@ loop invariant 0 <= i <= 2 && angle == angle_mdeg - i * TURN_MDEG;
        loop invariant i > 0 ==> angle >= -HALF_MDEG;
        loop assigns i, angle;
        loop variant 2 - i; */
    for (int32_t i = 0; i < 2 && angle >= HALF_MDEG; i++) {
        angle -= TURN_MDEG;
    }
    /*@ loop invariant 0 <= i <= 2 && angle == \at(angle, LoopEntry) + i * TURN_MDEG;
        loop invariant i > 0 ==> angle < HALF_MDEG;
        loop assigns i, angle;
        loop variant 2 - i; */
    for (int32_t i = 0; i < 2 && angle < -HALF_MDEG; i++) {
        angle += TURN_MDEG;
    }
    CORE_ASSERT(angle >= -HALF_MDEG && angle < HALF_MDEG);
    return angle;
}

int32_t angle_difference(bool continuous, int32_t a_mdeg, int32_t b_mdeg)
{
    const int32_t difference = a_mdeg - b_mdeg;
    return continuous ? angle_wrap(difference) : difference;
}
