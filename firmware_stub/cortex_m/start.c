#include "start.h"

#include "bench.h"
#include "registers.h"
#include "uart.h"

#include "../core/core.h"
#include "clock.h"

#define PATTERN 0x5AA5C33Cu
#define GUARD_WORDS 32u

/* From link.ld. */
extern uint32_t stack_bottom[], stack_top[], data_start[], data_end[], bss_start[], bss_end[];
extern const uint32_t data_image[];

typedef union {
    const uint32_t *stack;
    void (*handler)(void);
} vector_t;

int main(void);
void reset_handler(void);

/* ---- stack ---- */

uint32_t start_stack_bytes(void)
{
    return (uint32_t)((uintptr_t)stack_top - (uintptr_t)stack_bottom);
}

uint32_t start_stack_used(void)
{
    const uint32_t *at = stack_bottom;
    while (at < stack_top && *at == PATTERN) {
        at++;
    }
    return (uint32_t)((uintptr_t)stack_top - (uintptr_t)at);
}

bool start_stack_guard_holds(void)
{
    for (uint32_t i = 0; i < GUARD_WORDS; i++) {
        if (stack_bottom[i] != PATTERN) {
            return false;
        }
    }
    return true;
}

void start_stack_guard_break(void)
{
    stack_bottom[GUARD_WORDS - 1u] = 0;
}

/* ---- stops ---- */

static volatile bool stopped;

void start_stop(uint32_t reason)
{
    board_interrupts_off();
    bench_outputs_zero();
    if (!stopped) { /* the watchdog's first time-out comes after every other stop too */
        stopped = true;
        bench_stopped(reason);
    }
    for (;;) {
        /* The watchdog's second time-out resets. */
    }
}

static void fault_handler(void)
{
    start_stop(STOP_FAULT);
}

/* The watchdog's first time-out; it cannot be masked. */
static void nmi_handler(void)
{
    start_stop(STOP_WATCHDOG);
}

static void unexpected_handler(void)
{
    start_stop(STOP_UNEXPECTED);
}

/* ---- start ---- */

void reset_handler(void)
{
    board_interrupts_off();
    bench_outputs_zero(); /* a board has resistors for this, from the first moment of the reset on */
    const uint32_t *from = data_image;
    for (uint32_t *to = data_start; to < data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = bss_start; to < bss_end; to++) {
        *to = 0;
    }
    /* Up to this function's own frame, which is a few words. */
    const uintptr_t here = (uintptr_t)__builtin_frame_address(0) - 64u;
    for (uint32_t *to = stack_bottom; (uintptr_t)to < here; to++) {
        *to = PATTERN;
    }
    (void)main();
    start_stop(STOP_UNEXPECTED);
}

#define UNEXPECTED {.handler = unexpected_handler}
#define EIGHT UNEXPECTED, UNEXPECTED, UNEXPECTED, UNEXPECTED, UNEXPECTED, UNEXPECTED, UNEXPECTED, UNEXPECTED

/* Armv7-M: stack, reset, NMI, HardFault, MemManage, BusFault, UsageFault, 4 reserved, SVCall, debug, reserved, PendSV, SysTick; then the
 * board's own, BOARD_IRQ_ in order. */
__attribute__((section(".vectors"), used)) static const vector_t vectors[16 + BOARD_IRQS] = {
    {.stack = stack_top},
    {.handler = reset_handler},
    {.handler = nmi_handler},
    {.handler = fault_handler},
    {.handler = fault_handler},
    {.handler = fault_handler},
    {.handler = fault_handler},
    UNEXPECTED,
    UNEXPECTED,
    UNEXPECTED,
    UNEXPECTED,
    UNEXPECTED,
    UNEXPECTED,
    UNEXPECTED,
    UNEXPECTED,
    {.handler = clock_systick_handler},
    {.handler = uart_line_handler},
    {.handler = uart_line_handler},
    {.handler = uart_bench_handler},
    {.handler = uart_bench_handler},
    UNEXPECTED, UNEXPECTED, UNEXPECTED, UNEXPECTED,
    EIGHT, EIGHT, EIGHT,
};
