#include "watchdog.h"

#include "registers.h"

enum { DOG_LOAD = 0x0, DOG_CONTROL = 0x8, DOG_CLEAR = 0xC, DOG_LOCK = 0xC00 };
#define DOG_UNLOCK 0x1ACCE551u
#define DOG_RUN 3u /* interrupt at the first time-out, reset at the second */

/* Locked but for the moment of a write: a wild pointer does not feed it. */
void watchdog_start(void)
{
    REGISTER(BOARD_WATCHDOG + DOG_LOCK) = DOG_UNLOCK;
    REGISTER(BOARD_WATCHDOG + DOG_LOAD) = WATCHDOG_MS * (BOARD_CLOCK_HZ / 1000u);
    REGISTER(BOARD_WATCHDOG + DOG_CONTROL) = DOG_RUN;
    REGISTER(BOARD_WATCHDOG + DOG_LOCK) = 0;
}

void watchdog_feed(void)
{
    REGISTER(BOARD_WATCHDOG + DOG_LOCK) = DOG_UNLOCK;
    REGISTER(BOARD_WATCHDOG + DOG_CLEAR) = 1;
    REGISTER(BOARD_WATCHDOG + DOG_LOCK) = 0;
}
