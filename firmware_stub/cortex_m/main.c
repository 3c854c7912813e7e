/* The controller on an emulated Cortex-M4: the unmodified core, and the loop of ../README.md, "How to port".
 *
 * INV-BOARD-1  The watchdog runs from the first line of main. It is fed only in the place of serve_tick, once the tick that was due is
 *              complete. Where ticks come from outside, the board's own SysTick goes on asking, and the answer is that the loop has
 *              come round with no tick half done: a loop that hangs, or a tick that never ends, is not fed either way.
 * INV-BOARD-2  Outputs are zero from reset to the first complete tick, and after any fault.
 * INV-BOARD-3  Nothing in the loop waits, but for the sleep while there is nothing to do, which SysTick ends at the latest.
 */
#include "../core/controller.h"
#include "bench.h"
#include "clock.h"
#include "flash.h"
#include "registers.h"
#include "semihosting.h"
#include "start.h"
#include "uart.h"
#include "watchdog.h"

#ifndef CORE_SOURCE_DIGEST
#define CORE_SOURCE_DIGEST "not known"
#endif
#ifndef PORT_SOURCE_DIGEST
#define PORT_SOURCE_DIGEST "not known"
#endif

#define BAUD 921600u
#define BENCH_BAUD 921600u
#define TICK_US_WITHOUT_TABLE 10000u
#define ERASE_US_WITHOUT_BENCH 20000u
#define EXIT_FILE 2u

int main(void);

typedef enum {
    TICKING_HELD = 0, /* a bench is there and has said nothing yet */
    TICKING_OWN,      /* as shipped: SysTick asks, the timer measures */
    TICKING_OUTSIDE   /* the bench hands every tick in */
} ticking_t;

typedef struct {
    controller_config_t config;
    controller_t controller;
    ticking_t ticking;
    uint32_t last_tick; /* clock_now */
    uint32_t ticks;
    uint32_t longest_us;
    law_in_t in;
    law_out_t out;
} board_t;

static board_t board;

/* For whoever holds the file: what it was built from. */
__attribute__((used)) static const char built_from[] = "core " CORE_SOURCE_DIGEST " port " PORT_SOURCE_DIGEST;

static size_t transmit(void *context, const uint8_t *bytes, size_t n)
{
    (void)context;
    return uart_send(UART_LINE, bytes, n);
}

/* ---- ticks ---- */

static void tick(uint32_t elapsed_us)
{
    board.in.elapsed_us = elapsed_us;
    controller_tick(&board.controller, &board.in, &board.out);
    bench_outputs(&board.out);
    board.ticks++;
}

static void follow_table(void)
{
    const bool live = board.controller.table_state == LINK_TABLE_IN_USE;
    clock_set_period(live ? (uint32_t)board.controller.table.tick_us : TICK_US_WITHOUT_TABLE);
}

/* One tick however many SysTicks were missed: its elapsed_us says so, and the law takes it as the fault that it is. */
static void serve_tick(void)
{
    if (!clock_tick_due()) {
        return;
    }
    if (board.ticking == TICKING_OWN) {
        const uint32_t now = clock_now();
        const uint32_t elapsed_us = clock_us(now - board.last_tick);
        board.last_tick = now;
        board.longest_us = elapsed_us > board.longest_us ? elapsed_us : board.longest_us;
        tick(elapsed_us);
    }
    if (!start_stack_guard_holds()) {
        start_stop(STOP_STACK);
    }
    watchdog_feed();
    follow_table();
}

/* ---- bench ---- */

static void report(void)
{
    bench_report(BENCH_REPORT_TICKS, board.ticks);
    bench_report(BENCH_REPORT_LOST, uart_lost(UART_LINE));
    bench_report(BENCH_REPORT_STACK_USED, start_stack_used());
    bench_report(BENCH_REPORT_STACK_BYTES, start_stack_bytes());
    bench_report(BENCH_REPORT_OPERATIONS, flash_operations());
    bench_report(BENCH_REPORT_LONGEST_US, board.longest_us);
    bench_report(BENCH_REPORT_ASSERTION, core_assert_line());
    bench_report_done();
}

static void take_inputs(void)
{
    bench_read_inputs(&board.in);
    if (board.ticking == TICKING_HELD) {
        board.ticking = TICKING_OWN;
        board.last_tick = clock_now();
    }
    bench_answer(&board.out);
}

static void take_tick(void)
{
    bench_read_inputs(&board.in);
    board.ticking = TICKING_OUTSIDE;
    tick(board.in.elapsed_us);
    bench_answer(&board.out);
}

/* False when nothing was asked. */
static bool serve_bench(void)
{
    switch (bench_question()) {
    case 'S':
        take_inputs();
        return true;
    case 'T':
        take_tick();
        return true;
    case 'R':
        report();
        return true;
    case 'H':
        for (;;) {
            /* the test that the watchdog ends this */
        }
    case 'X':
        (void)REGISTER(0xDFFFFFF0u);
        return true;
    case 'O':
        start_stack_guard_break();
        return true;
    case 'F':
        (void)board.config.store.program(NULL, 1, board.config.machine_id, 1);
        return true;
    default:
        return false;
    }
}

/* ---- line ---- */

static void serve_line(void)
{
    const uint8_t *bytes = NULL;
    const size_t n = uart_received(UART_LINE, &bytes);
    uart_taken(UART_LINE, controller_receive(&board.controller, bytes, n));
    controller_poll(&board.controller, clock_ms());
}

/* An interrupt that comes after the questions still ends the sleep: it is pending then. */
static void sleep_if_idle(void)
{
    const uint8_t *bytes = NULL;
    board_interrupts_off();
    if (!clock_tick_waits() && uart_received(UART_LINE, &bytes) == 0 && uart_received(UART_BENCH, &bytes) == 0 &&
        board.controller.link.transfer.phase != LINK_TRANSFER_ERASING) {
        board_wait();
    }
    board_interrupts_on();
}

/* ---- start ---- */

static void set_up(void)
{
    bench_options_t options = {ERASE_US_WITHOUT_BENCH, 0, 0, "not-set", ""};
    const bool bench = bench_is_there();
    if (bench) {
        bench_read_options(&options);
    }
    const char *wrong = flash_start(&options, bench);
    if (wrong != NULL) {
        semihosting_say(wrong);
        semihosting_exit(EXIT_FILE);
    }
    flash_config(&board.config.store);
    core_copy(board.config.machine_id, options.machine_id, TABLE_MACHINE_ID_BYTES);
    board.config.firmware = CORE_SOURCE_DIGEST;
    board.config.context = NULL;
    board.config.transmit = transmit;
    board.ticking = bench ? TICKING_HELD : TICKING_OWN;
}

int main(void)
{
    watchdog_start();
    clock_start();
    set_up();
    (void)controller_start(&board.controller, &board.config);
    uart_start(UART_LINE, BAUD);
    uart_start(UART_BENCH, BENCH_BAUD);
    follow_table();
    board.last_tick = clock_now();
    board_interrupts_on();
    bench_begun();
    for (;;) {
        serve_tick();
        const bool asked = serve_bench();
        serve_line();
        if (!asked) {
            sleep_if_idle();
        }
    }
}
