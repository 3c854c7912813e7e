/* Counts what the emulated processor executes, called by unicorn itself once for each block of code: a callback in Python would cost more
 * than the block does.
 *
 * Thumb code is read halfword by halfword: a first halfword whose upper five bits are 11101, 11110 or 11111 is the first of two, any
 * other is a whole instruction (Arm v7-M Architecture Reference Manual, A5.1, from memory). Instructions of an IT block that are passed
 * over count: they take their time too. counter_instruction, called for every instruction by itself, is there to check this: it rests
 * on the emulator's steps and takes only the instructions that an IT passes over, which the emulator does not tell, from the code. */
#include <stddef.h>
#include <stdint.h>

typedef struct {
    const uint16_t *code;
    uint32_t code_address, code_bytes;
    uint32_t step_address;               /* entering here begins the next step's count ... */
    uint32_t caller_first, caller_last;  /* ... and going on in here ends it */
    uint32_t *steps;                /* counts, one a step */
    uint32_t steps_max, step_count;
    uint32_t counting;
    uint32_t outside;                    /* blocks that are not in the code */
    uint32_t passed_first, passed_last;  /* of the IT block that is under way: counted with its IT */
} counter_t;

void counter_block(void *emulator, uint64_t address, uint32_t size, void *user);
void counter_instruction(void *emulator, uint64_t address, uint32_t size, void *user);

static void add(counter_t *counter, uint32_t address, uint32_t instructions)
{
    if (address == counter->step_address && counter->step_count < counter->steps_max) {
        counter->steps[counter->step_count++] = 0;
        counter->counting = 1;
    } else if (address >= counter->caller_first && address < counter->caller_last) {
        counter->counting = 0;
    }
    if (counter->counting != 0) {
        counter->steps[counter->step_count - 1] += instructions;
    }
}

static uint32_t halfwords(uint16_t first)
{
    return first >> 11 >= 0x1Du ? 2u : 1u;
}

static const uint16_t *at_address(const counter_t *counter, uint64_t address)
{
    return counter->code + (address - counter->code_address) / 2u;
}

void counter_block(void *emulator, uint64_t address, uint32_t size, void *user)
{
    counter_t *const counter = user;
    (void)emulator;
    if (address < counter->code_address || address + size > (uint64_t)counter->code_address + counter->code_bytes) {
        counter->outside++;
        return;
    }
    const uint16_t *at = at_address(counter, address);
    const uint16_t *const end = at + size / 2u;
    uint32_t instructions = 0;
    while (at < end) {
        at += halfwords(*at);
        instructions++;
    }
    add(counter, (uint32_t)address, instructions);
}

/* How many instructions an IT makes conditional: its mask ends in a 1 that says it. 0: not an IT. */
static uint32_t conditional(uint16_t first)
{
    const uint32_t mask = first & 0xFu;
    if ((first & 0xFF00u) != 0xBF00u || mask == 0) {
        return 0;
    }
    return (mask & 1u) != 0 ? 4u : (mask & 2u) != 0 ? 3u : (mask & 4u) != 0 ? 2u : 1u;
}

void counter_instruction(void *emulator, uint64_t address, uint32_t size, void *user)
{
    counter_t *const counter = user;
    (void)emulator;
    (void)size;
    if (address >= counter->passed_first && address < counter->passed_last) {
        return;
    }
    const uint16_t *at = at_address(counter, address);
    const uint32_t more = conditional(*at);
    at++;
    for (uint32_t i = 0; i < more; i++) {
        at += halfwords(*at);
    }
    counter->passed_first = (uint32_t)address + 2u;
    counter->passed_last = more == 0 ? 0 : counter->code_address + (uint32_t)(at - counter->code) * 2u;
    add(counter, (uint32_t)address, 1u + more);
}
