/* Serial ports. Received bytes go into a ring in the interrupt, sent ones out of a ring in the interrupt; nothing here waits. */
#ifndef UART_H
#define UART_H
#include <stddef.h>
#include <stdint.h>

typedef enum { UART_LINE = 0, UART_BENCH, UARTS } uart_t;

void uart_start(uart_t uart, uint32_t baud);

/* What has been received, as far as it lies in one piece: how many bytes, and where. They stay until uart_taken. */
size_t uart_received(uart_t uart, const uint8_t **bytes);
void uart_taken(uart_t uart, size_t n);

/* Takes what fits into the ring; returns how many. */
size_t uart_send(uart_t uart, const uint8_t *bytes, size_t n);

/* Bytes that came while the ring was full, and overruns of the port: the frame that they are missing from is asked for again. */
uint32_t uart_lost(uart_t uart);

void uart_line_handler(void);
void uart_bench_handler(void);

#endif
