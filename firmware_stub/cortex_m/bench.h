/* What makes the board a bench board. Its pins go to the bench's memory (BOARD_BENCH_MEMORY, which both sides can read and write)
 * instead of to sensors and valves, and a second serial port carries one byte to say that something is there:
 *
 *   to the board    S  the inputs are there: use them for your own ticks, which begin with the first S
 *                   T  a tick is there, with its elapsed_us: take it. From the first T on the board's own clock makes no ticks
 *                   R  write the report
 *                   H  for tests: hang, as a loop without an end would
 *                   X  for tests: read where no memory is
 *                   O  for tests: overwrite the guard at the stack's end
 *                   F  for tests: break a rule of the flash
 *   from the board  B  it has begun (after power-up or any reset): nothing asked before this is answered
 *                   A  answer to S, T or R: done, the outputs of the last tick are in `answer`
 *                   Z  a fault: the outputs were made zero, the watchdog will reset
 *
 * One question at a time. In 32-bit words, little endian; the records are those of ../bench/bench.h:
 *
 *   word 0        BENCH_MAGIC: a bench is there. Written by the bench before the start, as all up to word 63
 *   word 1        erase_us: how long the erase of a sector takes
 *   word 2, 3     cut_at, cut_bytes: the n-th flash operation since start ends the board after so many bytes; 0: none
 *   word 4..7     machine id
 *   word 8..23    path of the flash's file, zero-ended
 *   word 64       inputs: a record of 66
 *   word 256      answer: a record of 121
 *   word 512      outputs as they are at the pins: enable, then the drives of 16 joints
 *   word 640      report, bench_report_t in order
 *
 * Without BENCH_MAGIC the board is as shipped but for its inputs, which read 0: it ticks by itself, the emergency stop is open. */
#ifndef BENCH_BOARD_H
#define BENCH_BOARD_H
#include <stdbool.h>
#include <stdint.h>

#include "../core/law.h"

#define BENCH_MAGIC 0x31424A48u /* "HJB1" */
#define BENCH_MACHINE_ID_BYTES 16u
#define BENCH_PATH_BYTES 64u

typedef struct {
    uint32_t erase_us, cut_at, cut_bytes;
    uint8_t machine_id[BENCH_MACHINE_ID_BYTES];
    char flash_path[BENCH_PATH_BYTES];
} bench_options_t;

typedef enum { /* words of the report */
    BENCH_REPORT_STARTS = 0, /* since the emulator was started */
    BENCH_REPORT_STOP,       /* why it stopped the last time, STOP_ of start.h; 0 it did not */
    BENCH_REPORT_TICKS,      /* of the board's own clock and from outside, since start */
    BENCH_REPORT_LOST,       /* bytes of the serial line */
    BENCH_REPORT_STACK_USED,
    BENCH_REPORT_STACK_BYTES,
    BENCH_REPORT_OPERATIONS, /* of the flash, since start */
    BENCH_REPORT_LONGEST_US, /* elapsed_us of the latest tick of the board's own clock so far */
    BENCH_REPORT_ASSERTION,  /* line of the first assertion that failed, 0 none */
    BENCH_REPORT_WORDS
} bench_report_t;

bool bench_is_there(void);
void bench_read_options(bench_options_t *options);
void bench_begun(void);

char bench_question(void); /* takes the oldest byte; 0 when there is none */
void bench_read_inputs(law_in_t *in);
void bench_answer(const law_out_t *out);
void bench_report(bench_report_t word, uint32_t value);
void bench_report_done(void);

/* The pins. */
void bench_outputs(const law_out_t *out);
void bench_outputs_zero(void); /* also before the RAM is set up, and in a fault: uses neither stack nor data of the program */
void bench_stopped(uint32_t reason);

#endif
