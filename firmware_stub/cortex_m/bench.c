#include "bench.h"

#include "../bench/bench.h"
#include "registers.h"
#include "uart.h"

enum { WORD_MAGIC = 0, WORD_ERASE_US, WORD_CUT_AT, WORD_CUT_BYTES, WORD_MACHINE_ID, WORD_PATH = 8 };
enum { WORD_INPUTS = 64, WORD_ANSWER = 256, WORD_OUTPUTS = 512, WORD_REPORT = 640 };
#define WORD(n) REGISTER(BOARD_BENCH_MEMORY + 4u * (uint32_t)(n))
#define UART_DATA (BOARD_UART_BENCH + 0x0u)

/* ---- options ---- */

bool bench_is_there(void)
{
    return WORD(WORD_MAGIC) == BENCH_MAGIC;
}

static void read_bytes(uint32_t word, uint8_t *bytes, uint32_t n)
{
    CORE_ASSERT(n % 4u == 0);
    for (uint32_t i = 0; i < n; i += 4u) {
        core_write_u32(bytes + i, WORD(word + i / 4u));
    }
}

void bench_read_options(bench_options_t *options)
{
    uint8_t path[BENCH_PATH_BYTES];
    options->erase_us = WORD(WORD_ERASE_US);
    options->cut_at = WORD(WORD_CUT_AT);
    options->cut_bytes = WORD(WORD_CUT_BYTES);
    read_bytes(WORD_MACHINE_ID, options->machine_id, BENCH_MACHINE_ID_BYTES);
    read_bytes(WORD_PATH, path, BENCH_PATH_BYTES);
    core_copy((uint8_t *)options->flash_path, path, BENCH_PATH_BYTES);
    options->flash_path[BENCH_PATH_BYTES - 1u] = '\0';
}

/* ---- questions and answers ---- */

static void say(uint8_t byte)
{
    (void)uart_send(UART_BENCH, &byte, 1); /* one question at a time: there is room */
}

void bench_begun(void)
{
    WORD(WORD_REPORT + BENCH_REPORT_STARTS) = WORD(WORD_REPORT + BENCH_REPORT_STARTS) + 1u;
    say('B');
}

char bench_question(void)
{
    const uint8_t *bytes = NULL;
    if (uart_received(UART_BENCH, &bytes) == 0) {
        return 0;
    }
    const char question = (char)bytes[0];
    uart_taken(UART_BENCH, 1);
    return question;
}

void bench_read_inputs(law_in_t *in)
{
    in->elapsed_us = WORD(WORD_INPUTS);
    in->digital = WORD(WORD_INPUTS + 1);
    for (uint32_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        in->counts[i] = (uint16_t)core_clamp((int32_t)WORD(WORD_INPUTS + 2u + i), 0, 65535);
    }
}

void bench_answer(const law_out_t *out)
{
    const uint32_t head[BENCH_OUT_HEAD] = {out->state, out->cause, out->cause_joint, out->mode, out->enable,
                                           (uint32_t)out->authority_q16, (uint32_t)out->share_q16, out->waits_for, out->waits_joint};
    for (uint32_t i = 0; i < BENCH_OUT_HEAD; i++) {
        WORD(WORD_ANSWER + i) = head[i];
    }
    uint32_t at = WORD_ANSWER + BENCH_OUT_HEAD;
    for (uint32_t j = 0; j < TABLE_JOINTS_MAX; j++) {
        const law_joint_out_t *joint = &out->joint[j];
        const uint32_t values[BENCH_OUT_JOINT] = {(uint32_t)joint->target, (uint32_t)joint->position_mdeg, (uint32_t)joint->wanted_mdeg_s,
                                                  (uint32_t)joint->speed_mdeg_s, (uint32_t)joint->flow_e4, (uint32_t)joint->drive_e4,
                                                  joint->flags};
        for (uint32_t i = 0; i < BENCH_OUT_JOINT; i++) {
            WORD(at) = values[i];
            at++;
        }
    }
    say('A');
}

void bench_report(bench_report_t word, uint32_t value)
{
    WORD(WORD_REPORT + word) = value;
}

void bench_report_done(void)
{
    say('A');
}

/* ---- pins ---- */

void bench_outputs(const law_out_t *out)
{
    WORD(WORD_OUTPUTS) = out->enable;
    for (uint32_t j = 0; j < TABLE_JOINTS_MAX; j++) {
        WORD(WORD_OUTPUTS + 1u + j) = (uint32_t)out->joint[j].drive_e4;
    }
}

void bench_outputs_zero(void)
{
    for (uint32_t i = 0; i <= TABLE_JOINTS_MAX; i++) {
        WORD(WORD_OUTPUTS + i) = 0;
    }
}

/* Straight into the port's register: the rings may be what is broken. */
void bench_stopped(uint32_t reason)
{
    WORD(WORD_REPORT + BENCH_REPORT_STOP) = reason;
    REGISTER(UART_DATA) = 'Z';
}
