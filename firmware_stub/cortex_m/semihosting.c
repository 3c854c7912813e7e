#include "semihosting.h"

#include "../core/core.h"

/* Numbers of the calls (Arm semihosting specification, 2023Q3, "The semihosting operations"). */
enum { CALL_OPEN = 0x01, CALL_WRITE0 = 0x04, CALL_WRITE = 0x05, CALL_READ = 0x06, CALL_SEEK = 0x0A, CALL_FLEN = 0x0C, CALL_EXIT = 0x20 };
#define OPEN_READ_WRITE_BINARY 3u
#define EXIT_APPLICATION 0x20026u

static uint32_t call(uint32_t number, const void *argument)
{
    register uint32_t r0 __asm__("r0") = number;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static uint32_t length_of(const char *text)
{
    uint32_t n = 0;
    while (text[n] != '\0') {
        n++;
    }
    return n;
}

int32_t semihosting_open(const char *path)
{
    const uint32_t block[3] = {(uint32_t)(uintptr_t)path, OPEN_READ_WRITE_BINARY, length_of(path)};
    return (int32_t)call(CALL_OPEN, block);
}

int32_t semihosting_length(int32_t file)
{
    const uint32_t block[1] = {(uint32_t)file};
    return (int32_t)call(CALL_FLEN, block);
}

static bool seek(int32_t file, uint32_t at)
{
    const uint32_t block[2] = {(uint32_t)file, at};
    return call(CALL_SEEK, block) == 0;
}

bool semihosting_read(int32_t file, uint32_t at, uint8_t *bytes, uint32_t n)
{
    const uint32_t block[3] = {(uint32_t)file, (uint32_t)(uintptr_t)bytes, n};
    return seek(file, at) && call(CALL_READ, block) == 0; /* the answer is how many bytes are missing */
}

bool semihosting_write(int32_t file, uint32_t at, const uint8_t *bytes, uint32_t n)
{
    const uint32_t block[3] = {(uint32_t)file, (uint32_t)(uintptr_t)bytes, n};
    return seek(file, at) && call(CALL_WRITE, block) == 0;
}

void semihosting_say(const char *text)
{
    (void)call(CALL_WRITE0, text);
}

void semihosting_exit(uint32_t code)
{
    const uint32_t block[2] = {EXIT_APPLICATION, code};
    (void)call(CALL_EXIT, block);
}
