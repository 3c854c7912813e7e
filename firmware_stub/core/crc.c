/* Half a byte at a time: a table of 64 bytes instead of 1,024, at twice the steps. */
#include "crc.h"

static const uint32_t crc_of_nibble[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
};

uint32_t crc32_update(uint32_t crc, const uint8_t *bytes, size_t n)
{
    CORE_ASSERT(bytes != NULL || n == 0);
    uint32_t sum = ~crc;
    /*@ loop invariant 0 <= i <= n;
        loop assigns i, sum;
        loop variant n - i; */
    for (size_t i = 0; i < n; i++) {
        sum ^= bytes[i];
        sum = (sum >> 4) ^ crc_of_nibble[sum & 15u];
        sum = (sum >> 4) ^ crc_of_nibble[sum & 15u];
    }
    return ~sum;
}
