/* What a compiler takes for granted even without a library: it makes calls of these from plain loops and assignments. In words where both
 * ends are aligned, as the library of any board does. Not built for the PC. */
#include <stddef.h>
#include <stdint.h>

void *memset(void *target, int value, size_t byte_count);
void *memcpy(void *restrict target, const void *restrict source, size_t byte_count);
void *memmove(void *target, const void *source, size_t byte_count);

typedef uint32_t __attribute__((may_alias)) word_t;

static int aligned(uintptr_t places)
{
    return (places & 3u) == 0;
}

void *memset(void *target, int value, size_t byte_count)
{
    uint8_t *at = target;
    uint8_t *const end = at + byte_count;
    const uint32_t word = (uint32_t)(uint8_t)value * 0x01010101u;
    if (aligned((uintptr_t)at)) {
        for (; end - at >= 16; at += 16) {
            word_t *const words = (word_t *)at;
            words[0] = word;
            words[1] = word;
            words[2] = word;
            words[3] = word;
        }
    }
    while (at < end) {
        *(volatile uint8_t *)at++ = (uint8_t)value;
    }
    return target;
}

void *memcpy(void *restrict target, const void *restrict source, size_t byte_count)
{
    uint8_t *at = target;
    const uint8_t *from = source;
    uint8_t *const end = at + byte_count;
    if (aligned((uintptr_t)at | (uintptr_t)from)) {
        for (; end - at >= 4; at += 4, from += 4) {
            *(word_t *)at = *(const word_t *)from;
        }
    }
    while (at < end) {
        *(volatile uint8_t *)at++ = *from++;
    }
    return target;
}

void *memmove(void *target, const void *source, size_t byte_count)
{
    uint8_t *const at = target;
    const uint8_t *const from = source;
    if (at <= from) {
        for (size_t i = 0; i < byte_count; i++) {
            ((volatile uint8_t *)at)[i] = from[i];
        }
    } else {
        for (size_t i = byte_count; i > 0; i--) {
            ((volatile uint8_t *)at)[i - 1] = from[i - 1];
        }
    }
    return target;
}
