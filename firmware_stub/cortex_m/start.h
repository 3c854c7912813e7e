/* From reset to main, and what happens when the processor itself finds a fault. */
#ifndef START_H
#define START_H
#include <stdbool.h>
#include <stdint.h>

uint32_t start_stack_bytes(void);
uint32_t start_stack_used(void);  /* the deepest so far */
bool start_stack_guard_holds(void); /* false once the last 128 bytes of the stack were written */
void start_stack_guard_break(void); /* for tests */

/* Outputs to zero, and nothing more: it does not return, so the watchdog is not fed any longer and resets the board. */
void start_stop(uint32_t reason);

enum { STOP_FAULT = 1, STOP_WATCHDOG = 2, STOP_STACK = 3, STOP_UNEXPECTED = 4 };

#endif
