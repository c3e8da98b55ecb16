// The rig's clock: 32 bits of microseconds, made of a 16-bit timer that counts half microseconds.
#pragma once

#include <stdint.h>

#define TIMER_TURN_US 32768

extern uint32_t clock_turns_us;  // whole turns of the timer
extern uint16_t clock_ticks;     // the reading before

// The time that belongs to a reading of the timer. Readings must come in order, less than a turn
// apart.
static inline uint32_t clock_at(uint16_t ticks) {
    if (ticks < clock_ticks) clock_turns_us += TIMER_TURN_US;
    clock_ticks = ticks;
    return clock_turns_us + (ticks >> 1);
}
