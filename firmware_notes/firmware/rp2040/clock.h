// The rig's clock: 32 bits of microseconds, which the chip's timer counts.
#pragma once

#include "board.h"

extern uint32_t clock_ahead_us;  // 0; tests let the clock begin elsewhere

static inline uint32_t clock_at(ticks_t ticks) { return ticks + clock_ahead_us; }
