#include "law_parts.h"

int32_t valve_drive_e4(const table_joint_t *joint, int32_t speed_mdeg_s, int32_t flow_e4) /* L8 */
{
    CORE_ASSERT(flow_e4 >= 0 && flow_e4 <= TABLE_FULL_E4);
    CORE_ASSERT(joint->polarity == 1 || joint->polarity == -1);
    if (flow_e4 == 0 || speed_mdeg_s == 0) {
        return 0;
    }
    const int32_t direction = speed_mdeg_s > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
    const int32_t asked = curve_at(&joint->valve[direction], flow_e4);
    const int32_t drive = asked < joint->drive_max_e4 ? asked : joint->drive_max_e4;
    CORE_ASSERT(drive >= 0);
    /*@ assert sign: joint->polarity == 1 || joint->polarity == -1; */
    /*@ assert range: 0 <= drive <= joint->drive_max_e4 <= TABLE_FULL_E4; */
    return (speed_mdeg_s > 0 ? drive : -drive) * joint->polarity;
}
