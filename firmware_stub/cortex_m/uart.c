#include "uart.h"

#include "../core/core.h"
#include "../core/link.h"
#include "registers.h"

enum { PORT_DATA = 0x0, PORT_STATE = 0x4, PORT_CONTROL = 0x8, PORT_INTERRUPT = 0xC, PORT_DIVIDER = 0x10 };
enum { STATE_OUT_FULL = 1, STATE_IN_FULL = 2, STATE_IN_OVERRUN = 8 };
#define CONTROL_RUN 0xFu       /* both directions, both interrupts */
#define INTERRUPT_ALL 0xFu
#define DIVIDER_MIN 16u

/* Room for every question that may be on its way, each at its longest. A power of two, so that the counters may wrap. */
#define RING_IN 8192u
#define RING_OUT 1024u
typedef char ring_holds_the_window[RING_IN >= LINK_WINDOW * FRAME_ENCODED_MAX ? 1 : -1];

typedef struct {
    volatile uint32_t in_head, in_tail, out_head, out_tail; /* counters; the place is the counter modulo the ring */
    volatile uint32_t lost;
    uint8_t in[RING_IN], out[RING_OUT];
} rings_t;

static rings_t rings[UARTS];
static const uint32_t base[UARTS] = {BOARD_UART_LINE, BOARD_UART_BENCH};
static const uint32_t irq[UARTS] = {BOARD_IRQ_LINE_IN, BOARD_IRQ_BENCH_IN}; /* that of sending is the next one */

void uart_start(uart_t uart, uint32_t baud)
{
    const uint32_t divider = BOARD_CLOCK_HZ / baud;
    REGISTER(base[uart] + PORT_DIVIDER) = divider < DIVIDER_MIN ? DIVIDER_MIN : divider;
    REGISTER(base[uart] + PORT_CONTROL) = CONTROL_RUN;
    REGISTER(NVIC_ENABLE) = 3u << irq[uart];
}

/* Called in the interrupt, or with interrupts off. */
static void push_out(uart_t uart)
{
    rings_t *ring = &rings[uart];
    while (ring->out_tail != ring->out_head && (REGISTER(base[uart] + PORT_STATE) & STATE_OUT_FULL) == 0) {
        REGISTER(base[uart] + PORT_DATA) = ring->out[ring->out_tail % RING_OUT];
        ring->out_tail++;
    }
}

static void pull_in(uart_t uart)
{
    rings_t *ring = &rings[uart];
    uint32_t state = REGISTER(base[uart] + PORT_STATE);
    if ((state & STATE_IN_OVERRUN) != 0) {
        REGISTER(base[uart] + PORT_STATE) = STATE_IN_OVERRUN;
        ring->lost++;
    }
    while ((state & STATE_IN_FULL) != 0) {
        const uint8_t byte = (uint8_t)REGISTER(base[uart] + PORT_DATA);
        if (ring->in_head - ring->in_tail < RING_IN) {
            ring->in[ring->in_head % RING_IN] = byte;
            ring->in_head++;
        } else {
            ring->lost++;
        }
        state = REGISTER(base[uart] + PORT_STATE);
    }
}

static void serve(uart_t uart)
{
    REGISTER(base[uart] + PORT_INTERRUPT) = INTERRUPT_ALL;
    pull_in(uart);
    push_out(uart);
}

void uart_line_handler(void)
{
    serve(UART_LINE);
}

void uart_bench_handler(void)
{
    serve(UART_BENCH);
}

size_t uart_received(uart_t uart, const uint8_t **bytes)
{
    const rings_t *ring = &rings[uart];
    const uint32_t waiting = ring->in_head - ring->in_tail;
    const uint32_t at = ring->in_tail % RING_IN;
    CORE_ASSERT(waiting <= RING_IN);
    *bytes = ring->in + at;
    return waiting < RING_IN - at ? waiting : RING_IN - at;
}

void uart_taken(uart_t uart, size_t n)
{
    CORE_ASSERT(n <= rings[uart].in_head - rings[uart].in_tail);
    rings[uart].in_tail += (uint32_t)n;
}

size_t uart_send(uart_t uart, const uint8_t *bytes, size_t n)
{
    rings_t *ring = &rings[uart];
    size_t taken = 0;
    while (taken < n && ring->out_head - ring->out_tail < RING_OUT) {
        ring->out[ring->out_head % RING_OUT] = bytes[taken];
        ring->out_head++;
        taken++;
    }
    board_interrupts_off();
    push_out(uart);
    board_interrupts_on();
    return taken;
}

uint32_t uart_lost(uart_t uart)
{
    return rings[uart].lost;
}
