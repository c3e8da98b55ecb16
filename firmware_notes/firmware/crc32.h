// CRC-32/ISO-HDLC, one byte at a time.
#pragma once

#include <avr/pgmspace.h>
#include <stdint.h>

extern const uint32_t crc32_table[256] PROGMEM;

// Start with FFFFFFFF, end by inverting all bits.
static inline uint32_t crc32_next(uint32_t crc, uint8_t byte) {
    return crc >> 8 ^ pgm_read_dword(&crc32_table[(uint8_t)crc ^ byte]);
}
