/* What the board mps2-an386 has, as far as it is used: a Cortex-M4 at 25 MHz with the peripherals of the CMSDK (Arm's Cortex-M System
 * Design Kit), and bench.c's memory. Addresses and interrupt numbers: Arm application note AN386. */
#ifndef REGISTERS_H
#define REGISTERS_H
#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(uintptr_t)(address))

#define BOARD_CLOCK_HZ 25000000u
#define BOARD_CYCLES_PER_US (BOARD_CLOCK_HZ / 1000000u)

#define BOARD_TIMER 0x40000000u /* CMSDK timer 0 */
#define BOARD_UART_LINE 0x40004000u
#define BOARD_UART_BENCH 0x40005000u
#define BOARD_WATCHDOG 0x40008000u
#define BOARD_BENCH_MEMORY 0x21000000u /* external memory of 16 MB; on the bench it has a second port */

enum { BOARD_IRQ_LINE_IN = 0, BOARD_IRQ_LINE_OUT = 1, BOARD_IRQ_BENCH_IN = 2, BOARD_IRQ_BENCH_OUT = 3, BOARD_IRQS = 32 };

/* The processor's own (Armv7-M reference manual, B3). */
#define NVIC_ENABLE 0xE000E100u
#define SYSTICK_CONTROL 0xE000E010u
#define SYSTICK_RELOAD 0xE000E014u
#define SYSTICK_VALUE 0xE000E018u

/* Interrupts off and on again; `wait` sleeps until one is pending, also while they are off. */
static inline void board_interrupts_off(void)
{
    __asm__ volatile("cpsid i" ::: "memory");
}

static inline void board_interrupts_on(void)
{
    __asm__ volatile("cpsie i" ::: "memory");
}

static inline void board_wait(void)
{
    __asm__ volatile("wfi" ::: "memory");
}

#endif
