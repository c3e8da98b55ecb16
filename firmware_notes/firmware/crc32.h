// CRC-32/ISO-HDLC, one byte at a time.
#pragma once

#include <stdint.h>

#include "board.h"

extern const uint32_t crc32_table[256] FLASH;

// Start with FFFFFFFF, end by inverting all bits.
static inline uint32_t crc32_next(uint32_t crc, uint8_t byte) {
    return crc >> 8 ^ flash_word(&crc32_table[(uint8_t)crc ^ byte]);
}
