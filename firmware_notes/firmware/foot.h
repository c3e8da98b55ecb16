// The foot switch: told when it has been still for a while.
#pragma once

#include <stdbool.h>
#include <stdint.h>

void foot_start(uint8_t pins);
void foot_change(uint8_t pins, uint32_t t_us);

// True once for each press and each release, 20 ms after the last bounce; gives when it began.
bool foot_settled(uint32_t now_us, uint8_t *level, uint32_t *t_us);
