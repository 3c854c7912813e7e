/* The two functions that a freestanding C compiler may call without being asked. */
#include <stddef.h>
#include <stdint.h>

void *memcpy(void *restrict target, const void *restrict source, size_t n);
void *memset(void *target, int value, size_t n);

/* Built with -fno-tree-loop-distribute-patterns: else the compiler would see a memcpy in this loop, and call it. */
void *memcpy(void *restrict target, const void *restrict source, size_t n)
{
    uint8_t *to = (uint8_t *)target;
    const uint8_t *from = (const uint8_t *)source;
    for (size_t i = 0; i < n; i++) {
        to[i] = from[i];
    }
    return target;
}

void *memset(void *target, int value, size_t n)
{
    uint8_t *to = (uint8_t *)target;
    for (size_t i = 0; i < n; i++) {
        to[i] = (uint8_t)value;
    }
    return target;
}
