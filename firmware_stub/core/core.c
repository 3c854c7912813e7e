#include "core.h"

/* What shifts and masks are in arithmetic, which WP does not know; tests/proof shows each as a bit vector. */
/*@ admit lemma shift_8: \forall integer b; 0 <= b < 256 ==> (b << 8) == 256 * b;
    admit lemma shift_16: \forall integer b; 0 <= b < 65536 ==> (b << 16) == 65536 * b && (b << 16) % 65536 == 0;
    admit lemma join_8: \forall integer a, b; 0 <= a < 256 && 0 <= b < 65536 && b % 256 == 0 ==> (a | b) == a + b;
    admit lemma join_16: \forall integer a, b; 0 <= a < 65536 && 0 <= b < 4294967296 && b % 65536 == 0 ==> (a | b) == a + b;
    admit lemma join_16_high: \forall integer a, b; 0 <= a < 4294967296 && a % 65536 == 0 && 0 <= b < 65536 ==> (a | b) == a + b;
    admit lemma low_8: \forall integer a; 0 <= a < 65536 ==> (a & 255) == a % 256;
    admit lemma low_16: \forall integer a; 0 <= a < 4294967296 ==> (a & 65535) == a % 65536;
    admit lemma high_8: \forall integer a; 0 <= a < 65536 ==> (a >> 8) == a / 256;
    admit lemma high_16: \forall integer a; 0 <= a < 4294967296 ==> (a >> 16) == a / 65536; */
static uint32_t assert_line; /* the one static of the core: an assertion has no context to write to */

void core_assert_failed(uint32_t line)
{
    if (assert_line == 0) {
        assert_line = line;
    }
}

uint32_t core_assert_line(void)
{
    return assert_line;
}

void core_assert_clear(void)
{
    assert_line = 0;
}

int32_t core_clamp(int32_t value, int32_t lower, int32_t upper)
{
    CORE_ASSERT(lower <= upper);
    if (value < lower) {
        return lower;
    }
    return value > upper ? upper : value;
}

int32_t core_magnitude(int32_t value)
{
    CORE_ASSERT(value > INT32_MIN);
    return value < 0 ? -value : value;
}

int32_t core_with_sign(int32_t magnitude, int32_t signed_value)
{
    CORE_ASSERT(magnitude >= 0);
    return signed_value < 0 ? -magnitude : magnitude;
}

int32_t core_narrow(int64_t value)
{
    if (value > INT32_MAX) {
        return INT32_MAX;
    }
    return value < -INT32_MAX ? -INT32_MAX : (int32_t)value;
}

int32_t core_whole_q16(int64_t value_q16)
{
    const uint64_t magnitude = value_q16 < 0 ? 0u - (uint64_t)value_q16 : (uint64_t)value_q16;
    const uint64_t whole = magnitude / (uint32_t)CORE_Q16; /* unsigned: a shift and no more */
    const int32_t limited = whole < INT32_MAX ? (int32_t)whole : INT32_MAX;
    return value_q16 < 0 ? -limited : limited;
}

int32_t core_scale_q16(int32_t value, int32_t q16)
{
    return core_whole_q16((int64_t)value * q16);
}

int64_t core_floor_q16(int64_t product)
{
    if (product >= 0) {
        return (int64_t)((uint64_t)product / (uint64_t)CORE_Q16); /* unsigned: a shift and no more */
    }
    return -1 - (int64_t)((uint64_t)(-1 - product) / (uint64_t)CORE_Q16);
}

uint32_t core_count_up(uint32_t counter)
{
    return counter < 65535u ? counter + 1u : 65535u;
}

uint16_t core_read_u16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)((uint16_t)bytes[1] << 8));
}

uint32_t core_read_u32(const uint8_t *bytes)
{
    return (uint32_t)core_read_u16(bytes) | ((uint32_t)core_read_u16(bytes + 2) << 16);
}

int16_t core_read_i16(const uint8_t *bytes)
{
    const int32_t value = core_read_u16(bytes);
    return (int16_t)(value >= 32768 ? value - 65536 : value);
}

int32_t core_read_i32(const uint8_t *bytes)
{
    const int64_t value = core_read_u32(bytes);
    return (int32_t)(value >= 2147483648LL ? value - 4294967296LL : value);
}

void core_write_u16(uint8_t *bytes, uint16_t value)
{
    bytes[0] = (uint8_t)(value & 0xFFu);
    bytes[1] = (uint8_t)(value >> 8);
}

void core_write_u32(uint8_t *bytes, uint32_t value)
{
    core_write_u16(bytes, (uint16_t)(value & 0xFFFFu));
    core_write_u16(bytes + 2, (uint16_t)(value >> 16));
}

void core_copy(uint8_t *target, const uint8_t *source, size_t byte_count)
{
    /*@ loop invariant 0 <= i <= byte_count;
        loop invariant \forall integer k; 0 <= k < i ==> target[k] == source[k];
        loop assigns i, target[0 .. byte_count - 1];
        loop variant byte_count - i; */
    for (size_t i = 0; i < byte_count; i++) {
        target[i] = source[i];
    }
}

void core_fill(uint8_t *target, uint8_t value, size_t byte_count)
{
    /*@ loop invariant 0 <= i <= byte_count;
        loop invariant \forall integer k; 0 <= k < i ==> target[k] == value;
        loop assigns i, target[0 .. byte_count - 1];
        loop variant byte_count - i; */
    for (size_t i = 0; i < byte_count; i++) {
        target[i] = value;
    }
}
