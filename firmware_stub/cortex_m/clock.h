/* Two clocks. SysTick asks for the tick; a timer that runs by itself measures how long it really was (law rule L9a: a late tick is a
 * fault), so that a SysTick that is wrong, or was held up, is seen. */
#ifndef CLOCK_H
#define CLOCK_H
#include <stdbool.h>
#include <stdint.h>

void clock_start(void);
void clock_set_period(uint32_t tick_us); /* 1000 to 20000; a running period of the same length goes on */
bool clock_tick_due(void);               /* takes it: true once for any number of SysTicks since the last call */
bool clock_tick_waits(void);             /* the same, without taking it; with interrupts off */
uint32_t clock_now(void);                /* cycles of the free timer, counts up, wraps after 171 s */
uint32_t clock_us(uint32_t cycles);
uint32_t clock_ms(void);                 /* counts milliseconds, wraps after 49 days; ask at least once in 171 s */
void clock_systick_handler(void);

#endif
