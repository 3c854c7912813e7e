#include "clock.h"

#include "../core/core.h"
#include "registers.h"

enum { TIMER_CONTROL = 0x0, TIMER_VALUE = 0x4, TIMER_RELOAD = 0x8 };
#define TIMER_RUN 1u
#define SYSTICK_RUN 7u /* processor clock, interrupt, enable */
#define CYCLES_PER_MS (BOARD_CLOCK_HZ / 1000u)

static volatile bool due;
static uint32_t period_us;
static uint32_t ms, ms_counted_to;

void clock_systick_handler(void)
{
    due = true;
}

void clock_start(void)
{
    REGISTER(BOARD_TIMER + TIMER_CONTROL) = 0;
    REGISTER(BOARD_TIMER + TIMER_RELOAD) = UINT32_MAX;
    REGISTER(BOARD_TIMER + TIMER_VALUE) = UINT32_MAX;
    REGISTER(BOARD_TIMER + TIMER_CONTROL) = TIMER_RUN;
    ms_counted_to = clock_now();
}

uint32_t clock_now(void)
{
    return UINT32_MAX - REGISTER(BOARD_TIMER + TIMER_VALUE);
}

uint32_t clock_us(uint32_t cycles)
{
    return cycles / BOARD_CYCLES_PER_US;
}

uint32_t clock_ms(void)
{
    const uint32_t passed = (clock_now() - ms_counted_to) / CYCLES_PER_MS;
    ms_counted_to += passed * CYCLES_PER_MS;
    ms += passed;
    return ms;
}

void clock_set_period(uint32_t tick_us)
{
    CORE_ASSERT(tick_us >= 1000u);
    CORE_ASSERT(tick_us <= 20000u); /* 24 bits of reload */
    if (tick_us == period_us) {
        return;
    }
    period_us = tick_us;
    REGISTER(SYSTICK_RELOAD) = tick_us * BOARD_CYCLES_PER_US - 1u;
    REGISTER(SYSTICK_VALUE) = 0;
    REGISTER(SYSTICK_CONTROL) = SYSTICK_RUN;
}

bool clock_tick_waits(void)
{
    return due;
}

bool clock_tick_due(void)
{
    const bool was = due;
    due = false; /* one that comes in between asks for the same tick */
    return was;
}
